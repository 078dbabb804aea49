"""The house: its bodies, lenses and sets; added, changed, listed, shown with their past, found by a label."""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimwise.bench.errors import InputError, NotFound
from shimwise.bench.house.known_units import known_lenses
from shimwise.bench.house.unit_checks import checked_body, checked_lens, checked_set
from shimwise.bench.house.unit_rows import (
    adjustment_view,
    body_row,
    body_view,
    lens_row,
    lens_view,
    past_view,
    set_view,
    used_in,
)
from shimwise.bench.house.views import (
    BodiesPage,
    BodyFacts,
    BodyShown,
    BodyView,
    LensesPage,
    LensFacts,
    LensShown,
    LensView,
    SetFacts,
    SetShown,
    SetsPage,
    SetView,
)
from shimwise.bench.typed_names import id_or_new, typed_name
from shimwise.record.queries import preps, sets, units, verdicts
from shimwise.record.tables.rows import SetRow

if TYPE_CHECKING:
    from shimwise.record import Connection, Record

__all__ = [
    "LabelFound",
    "add_body",
    "add_lens",
    "add_set",
    "change_body",
    "change_lens",
    "change_set",
    "find_label",
    "list_bodies",
    "list_lenses",
    "list_sets",
    "show_body",
    "show_lens",
    "show_set",
]

MOST_PREPS_SHOWN = 50
_LABEL = re.compile(r"(?:^|/)(?P<kind>body|bodies|lens|lenses|set|sets)[/:](?P<id>[0-9a-f]{32})(?:$|[/?#])")
_KINDS = {"body": "body", "bodies": "body", "lens": "lens", "lenses": "lens", "set": "set", "sets": "set"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelFound:
    """What a label names; ``kind`` is ``body``, ``lens`` or ``set``."""

    kind: str
    id: str
    name: str


def add_body(record: "Record", *, facts: BodyFacts, who: str, id: str | None = None) -> BodyView:  # noqa: A002
    """Add a body.

    Raises
    ------
    InputError
        When something said of it cannot be.
    Conflict
        When the name, or the id with other content, is taken.
    """
    person, row = typed_name(who, field="who"), body_row(checked_body(facts), id=id_or_new(id))
    with record.writing(who=person) as change:
        return body_view(units.add_body(change, row))


def change_body(record: "Record", body_id: str, *, facts: BodyFacts, who: str) -> BodyView:
    """Replace what is known of a body; errors as :func:`add_body`, and NotFound."""
    person, wanted = typed_name(who, field="who"), checked_body(facts)
    with record.writing(who=person) as change:
        known = units.body(change.connection, body_id)
        return body_view(units.change_body(change, body_row(wanted, id=body_id, epoch=known.epoch)))


def list_bodies(
    record: "Record", *, search: str = "", limit: int = 50, after: str = "", with_retired: bool = False
) -> BodiesPage:
    """List bodies by name, each with what was last said of it.

    Parameters
    ----------
    search : str
        Part of a name, a serial number or a mount.
    limit : int
        Most of them.
    after : str
        ``next_cursor`` of the page before.
    with_retired : bool
        Those out of use too.
    """
    with record.reading() as connection, _cursor(after):
        rows = units.bodies(
            connection, search=search.strip(), limit=limit + 1, after=after, has_retired=with_retired
        )
        shown = rows[:limit]
        latest = verdicts.unit_latest(connection, [row.id for row in shown])
    cursor = shown[-1].id if len(rows) > limit else ""
    return BodiesPage(
        bodies=tuple(
            body_view(row, past_view(latest[row.id]) if row.id in latest else None) for row in shown
        ),
        next_cursor=cursor,
    )


def show_body(record: "Record", body_id: str) -> BodyShown:
    """Show a body: what is known, its past, its adjustments, where it is used.

    Raises
    ------
    NotFound
        When there is no such body.
    """
    with record.reading() as connection:
        row = units.body(connection, body_id)
        past = tuple(past_view(line) for line in verdicts.unit_past(connection, body_id))
        return BodyShown(
            body=body_view(row, past[-1] if past else None),
            past=past,
            adjustments=tuple(map(adjustment_view, verdicts.unit_adjustments(connection, body_id))),
            preps=tuple(map(used_in, preps.unit_preps(connection, body_id, limit=MOST_PREPS_SHOWN))),
        )


def add_lens(record: "Record", *, facts: LensFacts, who: str, id: str | None = None) -> LensView:  # noqa: A002
    """Add a lens; errors as :func:`add_body`."""
    person, row = typed_name(who, field="who"), lens_row(checked_lens(facts), id=id_or_new(id))
    with record.writing(who=person) as change:
        return lens_view(units.add_lens(change, row))


def change_lens(record: "Record", lens_id: str, *, facts: LensFacts, who: str) -> LensView:
    """Replace what is known of a lens; errors as :func:`add_body`, and NotFound."""
    person, wanted = typed_name(who, field="who"), checked_lens(facts)
    with record.writing(who=person) as change:
        known = units.lens(change.connection, lens_id)
        return lens_view(units.change_lens(change, lens_row(wanted, id=lens_id, epoch=known.epoch)))


def list_lenses(
    record: "Record", *, search: str = "", limit: int = 50, after: str = "", with_retired: bool = False
) -> LensesPage:
    """List lenses by name, each with what was last said of it; parameters as :func:`list_bodies`."""
    with record.reading() as connection, _cursor(after):
        rows = units.lenses(
            connection, search=search.strip(), limit=limit + 1, after=after, has_retired=with_retired
        )
        shown = rows[:limit]
        latest = verdicts.unit_latest(connection, [row.id for row in shown])
    cursor = shown[-1].id if len(rows) > limit else ""
    return LensesPage(
        lenses=tuple(
            lens_view(row, past_view(latest[row.id]) if row.id in latest else None) for row in shown
        ),
        next_cursor=cursor,
    )


def show_lens(record: "Record", lens_id: str) -> LensShown:
    """Show a lens: what is known, its past, its adjustments, its sets, where it is used.

    Raises
    ------
    NotFound
        When there is no such lens.
    """
    with record.reading() as connection:
        row = units.lens(connection, lens_id)
        past = tuple(past_view(line) for line in verdicts.unit_past(connection, lens_id))
        of_lens = sets.sets_of_lens(connection, lens_id)
        return LensShown(
            lens=lens_view(row, past[-1] if past else None),
            past=past,
            adjustments=tuple(map(adjustment_view, verdicts.unit_adjustments(connection, lens_id))),
            preps=tuple(map(used_in, preps.unit_preps(connection, lens_id, limit=MOST_PREPS_SHOWN))),
            sets=_set_views(connection, of_lens),
        )


def add_set(record: "Record", *, facts: SetFacts, who: str, id: str | None = None) -> SetView:  # noqa: A002
    """Add a set; errors as :func:`add_body`, and NotFound where a lens is not known."""
    person, wanted = typed_name(who, field="who"), checked_set(facts)
    row = SetRow(id=id_or_new(id), name=wanted.name, lens_ids=wanted.lens_ids, note=wanted.note)
    with record.writing(who=person) as change:
        known_lenses(change.connection, wanted.lens_ids, field="lens_ids")
        return _set_views(change.connection, [sets.add_set(change, row)])[0]


def change_set(record: "Record", set_id: str, *, facts: SetFacts, who: str) -> SetView:
    """Replace a set's name, lenses and note; errors as :func:`add_set`."""
    person, wanted = typed_name(who, field="who"), checked_set(facts)
    row = SetRow(id=set_id, name=wanted.name, lens_ids=wanted.lens_ids, note=wanted.note)
    with record.writing(who=person) as change:
        known_lenses(change.connection, wanted.lens_ids, field="lens_ids")
        return _set_views(change.connection, [sets.change_set(change, row)])[0]


def list_sets(record: "Record", *, search: str = "", limit: int = 50, after: str = "") -> SetsPage:
    """List sets by name; parameters as :func:`list_bodies`."""
    with record.reading() as connection, _cursor(after):
        rows = sets.sets(connection, search=search.strip(), limit=limit + 1, after=after)
        shown = _set_views(connection, rows[:limit])
    return SetsPage(sets=shown, next_cursor=shown[-1].id if len(rows) > limit else "")


def show_set(record: "Record", set_id: str) -> SetShown:
    """Show a set, its lenses with what was last said of each, and where it was tested.

    Raises
    ------
    NotFound
        When there is no such set.
    """
    with record.reading() as connection:
        row = sets.set_of(connection, set_id)
        rows = units.lenses_by_id(connection, row.lens_ids)
        latest = verdicts.unit_latest(connection, list(row.lens_ids))
        return SetShown(
            set=set_view(row, {lens.id: lens.name for lens in rows.values()}),
            lenses=tuple(
                lens_view(lens, past_view(latest[lens.id]) if lens.id in latest else None)
                for lens in rows.values()
            ),
            preps=tuple(map(used_in, preps.set_preps(connection, set_id, limit=MOST_PREPS_SHOWN))),
        )


def find_label(record: "Record", text: str) -> LabelFound | None:
    """Find what a label names: the address in its QR square, an id, or a name.

    A name that a body, a lens and a set share names the set first, then the body.
    """
    plain = " ".join(text.split())
    match = _LABEL.search(plain)
    with record.reading() as connection:
        if match is not None:
            return _by_id(connection, _KINDS[match["kind"]], match["id"])
        return _by_name(connection, plain)


def _by_id(connection: "Connection", kind: str, unit_id: str) -> LabelFound | None:
    try:
        if kind == "body":
            name = units.body(connection, unit_id).name
        elif kind == "lens":
            name = units.lens(connection, unit_id).name
        else:
            name = sets.set_of(connection, unit_id).name
    except NotFound:
        return None
    return LabelFound(kind=kind, id=unit_id, name=name)


def _by_name(connection: "Connection", name: str) -> LabelFound | None:
    finders = (("set", sets.set_by_name), ("body", units.body_by_name), ("lens", units.lens_by_name))
    for kind, find in finders:
        found = find(connection, name)
        if found is not None:
            return LabelFound(kind=kind, id=found.id, name=found.name)
    return None


@contextmanager
def _cursor(after: str) -> Iterator[None]:
    """Refuse a cursor that is none as what it is: an argument."""
    try:
        yield
    except NotFound as error:
        raise InputError(
            "is no cursor of this list. Begin at its first page.", field="cursor", typed=after
        ) from error


def _set_views(connection: "Connection", rows: Iterable[SetRow]) -> tuple[SetView, ...]:
    found = list(rows)
    wanted = {lens_id for row in found for lens_id in row.lens_ids}
    names = {lens.id: lens.name for lens in units.lenses_by_id(connection, wanted).values()}
    return tuple(set_view(row, names) for row in found)
