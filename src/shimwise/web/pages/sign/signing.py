"""Signing a prep off: what is undecided, what goes out all the same and why, the signature, reopening."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.responses import Response

from shimwise.bench.adjust import guide
from shimwise.bench.errors import InputError
from shimwise.bench.prep import preps
from shimwise.bench.sign import signing
from shimwise.bench.verdict import pictures, recheck, verdict
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PageDep, PostedDep, RecordDep, remember, see, who_of
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import Page, clock, counted, person_of, render
from shimwise.web.problems import status_of

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.prep.views import PrepView
    from shimwise.bench.sign.views import SignOffView, Undecided

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}/sign")


@router.get("")
def show(request: Request, record: RecordDep, page: PageDep, prep_id: str) -> Response:
    """Show what stands in the way of a signature, or the signature."""
    _judged(record, page, prep_id)
    return _shown(request, record, page, prep_id)


@router.post("")
def sign(request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str) -> Response:
    """Sign the prep, with its exceptions."""
    who = who_of(request, form)
    exceptions = _exceptions(form)
    try:
        if not form.refused:
            signing.sign(record, prep_id, who=who, exceptions=exceptions)
            return remember(see(f"/preps/{prep_id}/sign"), who)
        status = 422
    except ShimwiseError as error:
        form.refuse(error, fields=_places(error, exceptions))
        status = status_of(error)
    page.person = person_of(request)
    return _shown(request, record, page, prep_id, form=form, status=status)


@router.post("/reopen")
def reopen(request: Request, record: RecordDep, page: PageDep, form: PostedDep, prep_id: str) -> Response:
    """Open a signed prep again, with a reason."""
    who = who_of(request, form)
    try:
        signing.reopen(record, prep_id, reason=form.text("reason"), who=who)
    except ShimwiseError as error:
        form.refuse(error)
        page.person = person_of(request)
        return _shown(request, record, page, prep_id, form=form, status=status_of(error))
    return remember(see(f"/preps/{prep_id}"), who)


def _judged(record: "Record", page: Page, prep_id: str) -> None:
    """Judge what was read since the last verdict, so that the page tells how things stand."""
    prep = preps.open_prep(record, prep_id)
    if prep.state == "signed" or not pictures.has_landings(prep):
        return
    if prep.verdict is None or not prep.verdict.is_current:
        try:
            verdict.refresh_verdict(record, prep_id)
        except ShimwiseError as error:
            page.problem = f"No verdict can be given: {error}"


def _exceptions(form: Form) -> dict[str, signing.Exempt]:
    """Give the exceptions that were written; a name without its reason is refused beside it."""
    found = {}
    fields = [name.partition("-") for name in form.values]
    for unit_id in dict.fromkeys(unit for field, _, unit in fields if unit and field in ("reason", "name")):
        reason, name = form.text(f"reason-{unit_id}"), form.text(f"name-{unit_id}")
        if reason:
            found[unit_id] = signing.Exempt(reason, name)
        elif name:
            form.refused[f"reason-{unit_id}"] = f"Write why it goes out as it is; {name} answers for it."
    return found


def _places(error: ShimwiseError, exceptions: dict[str, signing.Exempt]) -> dict[str, str]:
    """Find beside which exception a refusal belongs: the one whose text it tells."""
    if not isinstance(error, InputError) or error.field not in ("reason", "name"):
        return {"exceptions": ""}
    for unit_id, exempt in exceptions.items():
        if error.typed in (exempt.reason, exempt.name):
            return {error.field: f"{error.field}-{unit_id}"}
    return {error.field: ""}


def _shown(
    request: Request,
    record: "Record",
    page: Page,
    prep_id: str,
    *,
    form: Form | None = None,
    status: int = 200,
) -> Response:
    prep = preps.open_prep(record, prep_id)
    signatures = signing.sign_offs(record, prep_id)
    standing = next((one for one in signatures if one.is_standing), None)
    undecided = () if standing else signing.undecided(record, prep_id)
    unfinished = [one for one in guide.adjustments(record, prep_id) if one.state == "begun"]
    page.way = "preps"
    page.sentence = _sentence(prep, standing, undecided, [one.unit for one in unfinished])
    return render(
        request,
        "sign/page.html",
        page,
        status=status,
        form=form or Form(),
        prep=prep,
        standing=standing,
        earlier=[one for one in reversed(signatures) if not one.is_standing],
        undecided=undecided,
        unfinished=unfinished,
        rechecks=[one for one in recheck.recheck(record, prep_id) if not one.is_done],
        pairs=recheck.before_after(record, prep_id),
    )


def _sentence(
    prep: "PrepView",
    standing: "SignOffView | None",
    undecided: "tuple[Undecided, ...]",
    unfinished: Iterable[str],
) -> str:
    if standing is not None:
        return f"{prep.title} was signed by {standing.signed_by}, {clock(standing.signed_at)}; it is frozen."
    named = ", ".join(unfinished)
    if named:
        return f"The adjustment of {named} is not finished; the prep cannot be signed yet."
    if undecided:
        verb = "is" if len(undecided) == 1 else "are"
        return f"{counted(len(undecided), 'unit')} {verb} undecided; {prep.title} cannot be signed as it is."
    return f"Every unit is decided; {prep.title} can be signed."
