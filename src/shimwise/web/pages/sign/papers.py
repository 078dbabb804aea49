"""A prep's papers as downloads: check sheet, lens cards, labels, set table, each as PDF."""

import json
from typing import TYPE_CHECKING

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.errors import NotFound
from shimwise.bench.exchange.record_admin import export_prep
from shimwise.bench.prep import preps
from shimwise.bench.sign import papers
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import Visit, VisitDep, file_answer
from shimwise.web.problems import status_of

if TYPE_CHECKING:
    from shimwise.bench.sign.papers import MadePaper

router = APIRouter(prefix="/preps/{prep_id}/papers")
SIZES = ("A4", "Letter")
FILES = {
    "check-sheet.pdf": papers.CHECK,
    "lens-cards.pdf": papers.LENS_CARD,
    "labels.pdf": papers.LABELS,
    "set-table.pdf": papers.SET_TABLE,
}


@router.get("")
def show(visit: VisitDep, prep_id: str) -> Response:
    """Show what can be printed of a prep."""
    return _shown(visit, prep_id)


@router.get("/{name}")
def download(visit: VisitDep, prep_id: str, name: str, paper: str = "A4") -> Response:
    """Return a paper as PDF; what prevents it is shown on the page."""
    if name not in FILES:
        raise NotFound("paper", name)
    try:
        made = _made(visit, prep_id, FILES[name], paper=paper)
    except NotFound:
        raise
    except ShimwiseError as error:
        visit.page.problem = str(error)
        return _shown(visit, prep_id, status=status_of(error))
    return file_answer(made.pdf, "application/pdf", name)


def _made(visit: Visit, prep_id: str, kind: str, *, paper: str) -> "MadePaper":
    document, link = json.loads(export_prep(visit.record, prep_id)), str(visit.request.base_url)
    if kind == papers.LENS_CARD:
        return papers.make_lens_cards(document, paper=paper, link=link)
    if kind == papers.LABELS:
        return papers.make_labels(document, link=link)
    if kind == papers.SET_TABLE:
        return papers.make_set_tables(document, paper=paper, link=link, units=visit.page.units)
    return papers.make_sheets([document], paper=paper, link=link)


def _shown(visit: Visit, prep_id: str, *, status: int = 200) -> Response:
    prep = preps.open_prep(visit.record, prep_id)
    sentence = f"Papers of {prep.title}; it is not signed, and its sheet says so."
    if prep.state == "signed":
        sentence = f"Papers of {prep.title}, as it was signed."
    return visit.show(
        "papers/page.html", way="preps", sentence=sentence, status=status, prep=prep, sizes=SIZES
    )
