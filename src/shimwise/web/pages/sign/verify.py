"""Check a sheet: a PDF or a prep's file is sent, and the page shows whether it is what was signed."""

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.sign import papers
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import Visit, VisitDep
from shimwise.web.pages.view import LONGEST_FILE_NAME, counted
from shimwise.web.problems import status_of
from shimwise.web.verifying import Verifying

router = APIRouter(prefix="/verify")
SIGNS = {
    papers.State.AS_SIGNED: ("in_tolerance", "as signed"),
    papers.State.ALTERED: ("doubted", "altered"),
    papers.State.PAGE_ALTERED: ("doubted", "the page altered, or of an unknown house"),
    papers.State.PAGE_NOT_SIGNED: ("cannot_tell", "the page not compared"),
    papers.State.NOT_SEALED: ("cannot_tell", "no house vouches for it"),
    papers.State.OTHER_HOUSE: ("not_known", "of a house not known here"),
    papers.State.OLDER: ("cannot_tell", "older, reopened since"),
    papers.State.UNKNOWN: ("not_known", "unknown to this house"),
    papers.State.NOT_SIGNED: ("not_known", "not signed"),
}
"""Sign and words by state."""


@router.get("")
def show(visit: VisitDep) -> Response:
    """Show the form that takes a sheet."""
    return _shown(visit)


@router.post("")
async def check(visit: VisitDep) -> Response:
    """Show whether the sheet that is sent is what was signed."""
    async with visit.request.form(max_files=1) as sent:
        file, name, data = sent.get("file"), "", b""
        if isinstance(file, UploadFile) and file.filename:
            name, data = file.filename[:LONGEST_FILE_NAME], await file.read()
    verifying: Verifying = visit.request.app.state.verifying
    found: tuple[papers.Finding, ...] = ()
    try:
        if not data:
            raise InputError("Choose the PDF of a sheet, or a prep.json, first.", field="file")
        found = await verifying.findings(visit.record, lambda: data)
    except ShimwiseError as error:
        visit.form.refused["file"], visit.status, name = str(error), status_of(error), ""
    return await run_in_threadpool(_shown, visit, found=found, name=name)


def _shown(visit: Visit, *, found: tuple[papers.Finding, ...] = (), name: str = "") -> Response:
    return visit.show(
        "verify.html",
        sentence=_sentence(found),
        found=found,
        name=name,
        signs=SIGNS,
    )


def _sentence(found: tuple[papers.Finding, ...]) -> str:
    if not found:
        return "Give a sheet, and see whether it is what was signed here."
    if len(found) == 1:
        return found[0].sentence
    good = sum(one.standing is papers.State.AS_SIGNED for one in found)
    if good == len(found):
        return f"All {counted(good, 'prep')} on it are what was signed."
    signed = f"{good or 'none'} {'is' if good < 2 else 'are'} what was signed"
    return f"Of {counted(len(found), 'prep')} on it, {signed}."
