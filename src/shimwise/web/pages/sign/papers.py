"""A prep's papers as downloads: check sheet, lens cards, labels, set table, each as PDF."""

import json

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.errors import NotFound
from shimwise.bench.exchange.record_admin import export_prep
from shimwise.bench.prep import preps
from shimwise.bench.sign import papers
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import Visit, VisitDep, file_answer
from shimwise.web.problems import status_of

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
        document, link = json.loads(export_prep(visit.record, prep_id)), str(visit.request.base_url)
        made = papers.make_paper(FILES[name], [document], paper=paper, link=link, units=visit.page.units)
    except NotFound:
        raise
    except ShimwiseError as error:
        visit.page.problem, visit.status = str(error), status_of(error)
        return _shown(visit, prep_id)
    stem = name.removesuffix(".pdf")
    return file_answer(made.pdf, "application/pdf", f"{stem}-{made.name}.pdf")


def _shown(visit: Visit, prep_id: str) -> Response:
    prep = preps.open_prep(visit.record, prep_id)
    sentence = f"Papers of {prep.title}; it is not signed, and its sheet says so."
    if prep.state == "signed":
        sentence = f"Papers of {prep.title}, as it was signed."
    return visit.show("papers/page.html", sentence=sentence, prep=prep, sizes=SIZES)
