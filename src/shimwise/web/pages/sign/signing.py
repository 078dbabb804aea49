"""Signing a prep off: what is undecided, what goes out all the same and why, the signature, reopening."""

from collections.abc import Iterable

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.adjust import guide
from shimwise.bench.errors import InputError
from shimwise.bench.prep import preps
from shimwise.bench.prep.views import PrepView
from shimwise.bench.sign import signing
from shimwise.bench.sign.views import SignOffView, Undecided
from shimwise.bench.verdict import pictures, recheck
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PostDep, Visit, VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import clock, counted

AS_SET = "set"
"""How a prep is signed, in the address and in the form; else each unit by itself."""
router = APIRouter(prefix="/preps/{prep_id}/sign")


@router.get("")
def show(visit: VisitDep, prep_id: str) -> Response:
    """Show what is in the way of a signature, or the signature."""
    prep = preps.open_prep(visit.record, prep_id)
    if prep.state != "signed" and pictures.has_landings(prep):
        visit.judge_now(prep)
    return _shown(visit, prep_id)


@router.post("")
def sign(visit: PostDep, prep_id: str) -> Response:
    """Sign the prep, with its exceptions."""
    form = visit.form
    remaining = _exempt(form, "reason", "name")
    exceptions = _exceptions(form, remaining.name if remaining else "")
    if form.refused:
        visit.status = 422
        return _shown(visit, prep_id)
    try:
        signing.sign(
            visit.record,
            prep_id,
            who=visit.who,
            exceptions=exceptions,
            remaining=remaining,
            as_set=form.text("as") == AS_SET,
        )
    except ShimwiseError as error:
        visit.refuse(error, fields=_places(error, exceptions, remaining))
        return _shown(visit, prep_id)
    if visit.judge is not None:
        visit.judge.learn()
    return visit.go(f"/preps/{prep_id}/sign")


@router.post("/reopen")
def reopen(visit: PostDep, prep_id: str) -> Response:
    """Open a signed prep again, with a reason."""
    with visit.refusing():
        signing.reopen(visit.record, prep_id, reason=visit.form.text("reason"), who=visit.who)
        return visit.go(f"/preps/{prep_id}")
    return _shown(visit, prep_id)


def _exceptions(form: Form, usual_name: str) -> dict[str, signing.Exempt]:
    """Return the exceptions that were written of single units, each under its own name or the usual one."""
    fields = [name.partition("-") for name in form.values]
    units = dict.fromkeys(unit for field, _, unit in fields if unit and field in ("reason", "name"))
    written = {unit_id: _exempt(form, f"reason-{unit_id}", f"name-{unit_id}") for unit_id in units}
    return {
        unit_id: signing.Exempt(exempt.reason, exempt.name or usual_name)
        for unit_id, exempt in written.items()
        if exempt is not None
    }


def _exempt(form: Form, reason_field: str, name_field: str) -> signing.Exempt | None:
    """Return an exception that was written; a name without its reason is refused beside it."""
    reason, name = form.text(reason_field), form.text(name_field)
    if name and not reason:
        form.refused[reason_field] = f"Write why it goes out as it is; {name} answers for it."
    return signing.Exempt(reason, name) if reason else None


def _places(
    error: ShimwiseError, exceptions: dict[str, signing.Exempt], remaining: signing.Exempt | None
) -> dict[str, str]:
    """Return beside which exception an error belongs: the one whose text it quotes."""
    if not isinstance(error, InputError) or error.field not in ("reason", "name"):
        return {"exceptions": ""}
    if remaining is not None and error.typed in (remaining.reason, remaining.name):
        return {}
    for unit_id, exempt in exceptions.items():
        if error.typed in (exempt.reason, exempt.name):
            return {error.field: f"{error.field}-{unit_id}"}
    return {error.field: ""}


def _shown(visit: Visit, prep_id: str) -> Response:
    record = visit.record
    prep = preps.open_prep(record, prep_id)
    signatures = signing.sign_offs(record, prep_id)
    standing = next((one for one in signatures if one.is_standing), None)
    as_set = visit.form.text("as") == AS_SET
    open_units = [() if standing else signing.undecided(record, prep_id, as_set=one) for one in (False, True)]
    undecided = open_units[as_set]
    unfinished = [one for one in guide.adjustments(record, prep_id) if one.state == "begun"]
    return visit.show(
        "sign/page.html",
        sentence=_sentence(prep, standing, undecided, [one.unit for one in unfinished], as_set=as_set),
        prep=prep,
        standing=standing,
        earlier=[one for one in reversed(signatures) if not one.is_standing],
        undecided=undecided,
        as_set=as_set,
        open_counts=[len(units) for units in open_units],
        sets=prep.verdict.sets if prep.verdict else (),
        unfinished=unfinished,
        rechecks=[one for one in recheck.recheck(record, prep_id) if not one.is_done],
        pairs=recheck.before_after(record, prep_id),
    )


def _sentence(
    prep: PrepView,
    standing: SignOffView | None,
    undecided: tuple[Undecided, ...],
    unfinished: Iterable[str],
    *,
    as_set: bool,
) -> str:
    if standing is not None:
        return f"{prep.title} was signed by {standing.signed_by}, {clock(standing.signed_at)}; it is frozen."
    named = ", ".join(unfinished)
    if named:
        return f"The adjustment of {named} is not finished; the prep cannot be signed yet."
    if undecided:
        verb = "is" if len(undecided) == 1 else "are"
        return f"{counted(len(undecided), 'unit')} {verb} undecided; {prep.title} cannot be signed as it is."
    if as_set:
        return f"Where each lens lands on each body is decided; {prep.title} can be signed as a set."
    return f"Every unit is decided; {prep.title} can be signed."
