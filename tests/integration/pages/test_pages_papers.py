"""A prep's papers from its page: PDF downloads, and refusals on the page."""

import io
import re
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from api_house import Door
from pages_bench import furnished, short_prep
from pages_house import see

KINDS = ("check-sheet", "lens-cards", "labels", "set-table")


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record") as opened:
        yield opened


def test_the_prep_leads_to_its_papers(door: Door) -> None:
    prep_id = short_prep(door)
    assert f"/preps/{prep_id}/papers" in see(door, f"/preps/{prep_id}").links
    page = see(door, f"/preps/{prep_id}/papers")
    assert "it is not signed" in page.sentence
    assert [f"/preps/{prep_id}/papers/{kind}.pdf" in "".join(page.links) for kind in KINDS] == [True] * 4
    assert page.forbidden == []


@pytest.mark.parametrize("kind", ["check-sheet", "labels", "set-table"])
def test_a_paper_is_a_pdf_of_this_prep(door: Door, kind: str) -> None:
    prep_id = short_prep(door)
    answer = door.client.get(f"/preps/{prep_id}/papers/{kind}.pdf")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/pdf"
    name = rf'filename="{kind}-[A-Za-z0-9-]*[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}\.pdf"'
    assert re.search(name, answer.headers["content-disposition"])
    reader = pypdf.PdfReader(io.BytesIO(answer.content))
    assert "A-01" in "".join(page.extract_text() for page in reader.pages)


def test_the_size_of_the_paper_is_chosen(door: Door) -> None:
    prep_id = short_prep(door)
    answer = door.client.get(f"/preps/{prep_id}/papers/check-sheet.pdf?paper=Letter")
    box = pypdf.PdfReader(io.BytesIO(answer.content)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((612, 792), abs=1)


def test_what_stands_in_the_way_of_a_paper_is_told_on_the_page(door: Door) -> None:
    prep_id = door.start()["id"]
    for name in ("labels.pdf", "check-sheet.pdf?paper=A0"):
        page = see(door, f"/preps/{prep_id}/papers/{name}", 422)
        assert "Papers of" in page.sentence
    see(door, f"/preps/{prep_id}/papers/novel.pdf", 404)
