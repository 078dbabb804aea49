"""Check a sheet: a PDF or a prep's file is sent, and the page shows whether it is what was signed."""

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.sign import papers
from shimwise.bench.sign.signed import recorded
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import Visit, VisitDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import counted

router = APIRouter(prefix="/verify")
LONGEST_NAME = 120
SIGNS = {
    papers.State.AS_SIGNED: "in_tolerance",
    papers.State.ALTERED: "doubted",
    papers.State.OLDER: "cannot_tell",
    papers.State.UNKNOWN: "not_known",
    papers.State.NOT_SIGNED: "not_known",
}
HEADS = {
    papers.State.AS_SIGNED: "as signed",
    papers.State.ALTERED: "altered",
    papers.State.OLDER: "older, reopened since",
    papers.State.UNKNOWN: "unknown to this house",
    papers.State.NOT_SIGNED: "not signed",
}


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
            name, data = file.filename[:LONGEST_NAME], await file.read()
    return await run_in_threadpool(_checked, visit, name, data)


def _checked(visit: Visit, name: str, data: bytes) -> Response:
    if not data:
        return _shown(visit, refused="Choose the PDF of a sheet, or a prep.json, first.")
    try:
        found = papers.verify_paper(data, recorded=recorded(visit.record))
    except ShimwiseError as error:
        return _shown(visit, refused=str(error))
    return _shown(visit, found=found, name=name)


def _shown(
    visit: Visit, *, found: tuple[papers.Finding, ...] = (), name: str = "", refused: str = ""
) -> Response:
    return visit.show(
        "verify.html",
        way="preps",
        sentence=_sentence(found),
        status=422 if refused else 200,
        form=Form(refused={"file": refused} if refused else {}),
        found=found,
        name=name,
        signs={state.value: sign for state, sign in SIGNS.items()},
        heads={state.value: words for state, words in HEADS.items()},
    )


def _sentence(found: tuple[papers.Finding, ...]) -> str:
    if not found:
        return "Give a sheet, and see whether it is what was signed here."
    if len(found) == 1:
        return found[0].sentence
    good = sum(one.state is papers.State.AS_SIGNED for one in found)
    if good == len(found):
        return f"All {counted(good, 'prep')} on it are what was signed."
    signed = f"{good or 'none'} {'is' if good < 2 else 'are'} what was signed"
    return f"Of {counted(len(found), 'prep')} on it, {signed}."
