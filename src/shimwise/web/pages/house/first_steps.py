"""From nothing to a prep: what comes after a body or a lens was added, and what is carried there."""

from urllib.parse import urlencode

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.house import units as house
from shimwise.bench.house.views import BodyFacts, Facts, LensFacts
from shimwise.bench.prep import preps
from shimwise.web.pages.deps import Visit
from shimwise.web.pages.forms import Form
from shimwise.web.pages.house.unit_kinds import SETS, KeptKind

ANOTHER, PREP, LENS, BODY = "another", "prep", "lens", "body"
"""What a form asks for after its unit is added; the last two: a unit of the kind that is missing."""
AGAIN = ("mount", "fnumber", "scale_unit")
"""What the next unit of a kind usually has too."""
USUAL_FNUMBER = "2.8"
"""Filled in where nothing is known yet: seen, and changed, before it is kept."""


def only_one(record: Record, of: type[Facts]) -> str:
    """Return the id of the only unit of a kind, empty where there are none or several."""
    found = house.list_units(record, of, limit=2).units
    return found[0].id if len(found) == 1 else ""


def has_any(record: Record, of: type[Facts]) -> bool:
    """Whether the house has a unit of a kind."""
    return bool(house.list_units(record, of, limit=1).units)


def prep_address(record: Record, *, body_id: str = "", lens_id: str = "") -> str:
    """Return where a prep with this unit begins: its form, or the form of the unit that is missing for it."""
    if body_id and not has_any(record, LensFacts):
        return f"/lenses/new?{urlencode({'body': body_id})}"
    if lens_id and not has_any(record, BodyFacts):
        return f"/bodies/new?{urlencode({'lens': lens_id})}"
    return f"/?{urlencode({'body': body_id} if body_id else {'lens': lens_id})}#start-head"


def offers(visit: Visit, kind: KeptKind) -> tuple[tuple[str, str], ...]:
    """Return what may come after a new unit, the likeliest first: a word of this module, and the button's."""
    if kind is SETS:
        return (("", "Make the set"),)
    is_body, another = kind.name == "body", (ANOTHER, "Add it, then another")
    missing = LENS if is_body else BODY
    if not (has_any(visit.record, LensFacts) if is_body else has_any(visit.record, BodyFacts)):
        return ((missing, f"Add it, then a {missing}"), another, ("", "Only add it"))
    plain = ("", f"Add the {kind.name}")
    is_clear = not is_body or bool(visit.form.all("lens"))
    return ((PREP, "Add it and start a prep"), another, plain) if is_clear else (plain, another)


def begin(visit: Visit, kind: KeptKind) -> Form:
    """Return the form of a new unit, with what is usual and what an address carries."""
    form, query = kind.form(None), visit.form
    form.set("scale_unit", visit.page.units)
    if kind.name == "lens":
        form.set("fnumber", USUAL_FNUMBER)
    for name in AGAIN:
        if query.text(name):
            form.set(name, query.text(name))
    for name in (BODY, LENS):
        form.values[name] = query.all(name)
    return form


def after_adding(visit: Visit, kind: KeptKind, added_id: str) -> str:
    """Return the address that follows a unit that was added; a prep is started where it is clear of what."""
    form, then = visit.form, visit.form.text("then")
    carried = {name: form.all(name) for name in (BODY, LENS)}
    carried.get(kind.name, []).append(added_id)
    if then == ANOTHER:
        again = {name: [form.text(name)] for name in AGAIN if form.text(name)}
        return f"/{kind.folder}/new?{urlencode({**carried, **again}, doseq=True)}"
    if then in (LENS, BODY):
        folder = {LENS: "lenses", BODY: "bodies"}[then]
        return f"/{folder}/new?{urlencode(carried, doseq=True)}"
    if then == PREP:
        body_ids = carried[BODY] or [one for one in (only_one(visit.record, BodyFacts),) if one]
        if body_ids and carried[LENS]:
            prep = preps.start_prep(visit.record, who=visit.who, body_ids=body_ids, lens_ids=carried[LENS])
            return f"/preps/{prep.id}"
        return f"/?{urlencode(carried, doseq=True)}#start-head"
    return f"/{kind.folder}/{added_id}"
