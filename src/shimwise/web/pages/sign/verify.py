"""Checking a sheet: a PDF or a prep's file is sent, and the page says whether it is what was signed."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.sign import papers
from shimwise.bench.sign.signed import recorded
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PageDep, RecordDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import counted, render

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.web.pages.view import Page

__all__ = ["router"]

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
def show(request: Request, page: PageDep) -> Response:
    """Show the form that takes a sheet."""
    return _shown(request, page, Form())


@router.post("")
async def check(request: Request, record: RecordDep, page: PageDep) -> Response:
    """Say whether the sheet that is sent is what was signed."""
    from starlette.concurrency import run_in_threadpool

    async with request.form(max_files=1) as sent:
        file, name, data = sent.get("file"), "", b""
        if isinstance(file, UploadFile) and file.filename:
            name, data = file.filename[:LONGEST_NAME], await file.read()
    return await run_in_threadpool(_checked, request, record, page, name, data)


def _checked(request: Request, record: "Record", page: "Page", name: str, data: bytes) -> Response:
    form = Form()
    if not data:
        form.refused["file"] = "Choose the PDF of a sheet, or a prep.json, first."
        return _shown(request, page, form, status=422)
    try:
        found = papers.verify_paper(data, recorded=recorded(record))
    except ShimwiseError as error:
        form.refused["file"] = str(error)
        return _shown(request, page, form, status=422)
    return _shown(request, page, form, found=found, name=name)


def _shown(
    request: Request,
    page: "Page",
    form: Form,
    *,
    found: tuple[papers.Finding, ...] = (),
    name: str = "",
    status: int = 200,
) -> Response:
    page.way, page.sentence = "preps", _sentence(found)
    return render(
        request,
        "verify.html",
        page,
        status=status,
        form=form,
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
    told = f"{good or 'none'} {'is' if good < 2 else 'are'} what was signed"
    return f"Of {counted(len(found), 'prep')} on it, {told}."
