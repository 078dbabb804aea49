"""A prep's papers as downloads: check sheet, lens cards, labels, set table, each as PDF."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.responses import Response

from shimwise.bench.errors import NotFound
from shimwise.bench.exchange.record_admin import export_prep
from shimwise.bench.prep import preps
from shimwise.bench.sign import papers
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import PageDep, RecordDep
from shimwise.web.pages.view import Page, render
from shimwise.web.problems import status_of

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.sign.papers import MadePaper

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}/papers")
SIZES = ("A4", "Letter")
FILES = {
    "check-sheet.pdf": papers.CHECK,
    "lens-cards.pdf": papers.LENS_CARD,
    "labels.pdf": papers.LABELS,
    "set-table.pdf": papers.SET_TABLE,
}


@router.get("")
def show(request: Request, record: RecordDep, page: PageDep, prep_id: str) -> Response:
    """Show what can be printed of a prep."""
    return _shown(request, record, page, prep_id)


@router.get("/{name}")
def download(
    request: Request, record: RecordDep, page: PageDep, prep_id: str, name: str, paper: str = "A4"
) -> Response:
    """Give a paper as PDF; what stands in its way is told on the page."""
    if name not in FILES:
        raise NotFound("paper", name)
    try:
        made = _made(record, prep_id, FILES[name], paper=paper, link=str(request.base_url), units=page.units)
    except NotFound:
        raise
    except ShimwiseError as error:
        page.problem = str(error)
        return _shown(request, record, page, prep_id, status=status_of(error))
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(made.pdf, media_type="application/pdf", headers=headers)


def _made(record: "Record", prep_id: str, kind: str, *, paper: str, link: str, units: str) -> "MadePaper":
    import json

    document = json.loads(export_prep(record, prep_id))
    if kind == papers.LENS_CARD:
        return papers.make_lens_cards(document, paper=paper, link=link)
    if kind == papers.LABELS:
        return papers.make_labels(document, link=link)
    if kind == papers.SET_TABLE:
        return papers.make_set_tables(document, paper=paper, link=link, units=units)
    return papers.make_sheets([document], paper=paper, link=link)


def _shown(request: Request, record: "Record", page: Page, prep_id: str, *, status: int = 200) -> Response:
    prep = preps.open_prep(record, prep_id)
    page.way = "preps"
    if prep.state == "signed":
        page.sentence = f"Papers of {prep.title}, as it was signed."
    else:
        page.sentence = f"Papers of {prep.title}; it is not signed, and its sheet says so."
    return render(request, "papers/page.html", page, status=status, prep=prep, sizes=SIZES)
