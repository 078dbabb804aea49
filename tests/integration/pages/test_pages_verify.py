"""Checking a sheet on its page: as signed, altered, older, unknown, and what is no sheet."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import furnished, sent, short_prep
from pages_house import PageSeen, see

from shimwise.bench.sign.papers import CHECK, make_paper
from shimwise.web.serve import LIMITS


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record", short_um=0.0) as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    """A prep that is signed."""
    made = door.ids["prep"]
    found = door.get(f"/preps/{made}/undecided")["undecided"]
    sent(door, f"/preps/{made}/sign", **{f"reason-{one['unit_id']}": "a spare only" for one in found})
    return made


def checked(door: Door, data: bytes, *, name: str = "sheet.pdf", status: int = 200) -> PageSeen:
    answer = door.client.post("/verify", files={"file": (name, data)})
    assert answer.status_code == status
    return PageSeen(answer.text)


def sheet_of(door: Door, prep_id: str) -> bytes:
    return bytes(door.client.get(f"/preps/{prep_id}/papers/check-sheet.pdf").content)


def test_the_page_is_reached_from_the_settings_and_a_signed_prep(door: Door, prep_id: str) -> None:
    for path in ("/settings", f"/preps/{prep_id}/sign", f"/preps/{prep_id}", "/"):
        assert "/verify" in see(door, path).links, path
    page = see(door, "/verify")
    assert page.sentence == "Give a sheet, and see whether it is what was signed here."
    assert (page.unlabelled, page.forbidden) == ([], [])


def test_a_signed_sheet_is_told_as_such_even_after_a_rename(door: Door, prep_id: str) -> None:
    sheet = sheet_of(door, prep_id)
    door.put(f"/bodies/{door.ids['A-01']}", 200, name="A-99", mount="PL", who=WHO)
    assert sheet_of(door, prep_id) == sheet
    page = checked(door, sheet)
    assert f"is what {WHO} signed on" in page.sentence
    assert f"/preps/{prep_id}/sign" in page.links
    assert "What differs" not in page.text


def test_an_altered_sheet_is_refused_with_what_differs(door: Door, prep_id: str) -> None:
    document = door.get(f"/preps/{prep_id}/export")
    document["readings"][0]["operator"] = "Somebody Else"
    told = f"Reading 1: its operator is “Somebody Else”; as signed it is “{WHO}”."
    for data in (json.dumps(document).encode(), make_paper(CHECK, [document]).pdf):
        page = checked(door, data)
        assert page.sentence.endswith("is not what was signed: it was altered.")
        assert told in page.text
        assert "Signed by" not in page.text


def test_an_older_sheet_and_one_from_elsewhere_are_told(door: Door, prep_id: str, tmp_path: Path) -> None:
    sheet = sheet_of(door, prep_id)
    sent(door, f"/preps/{prep_id}/sign/reopen", reason="a lens came late")
    assert "no longer counts" in checked(door, sheet).sentence
    with furnished(tmp_path / "away") as away:
        page = checked(away, sheet)
    assert "is what N. Tester signed on" in page.sentence  # its house is known there by its key
    assert "The record of this house holds no such prep." in page.text
    assert "only the house that signed it can tell" in page.text
    assert f"/preps/{prep_id}/sign" not in page.links


def test_sheets_of_a_day_are_told_one_by_one(door: Door, prep_id: str) -> None:
    other = short_prep(door, value_um=0.0)
    documents = [door.get(f"/preps/{one}/export") for one in (prep_id, other)]
    page = checked(door, make_paper(CHECK, documents).pdf)
    assert page.sentence == "Of 2 preps on it, 1 is what was signed."
    assert "not signed" in page.text


@pytest.mark.parametrize(
    ("data", "told"),
    [(b"", "Choose the PDF"), (b"hello", "no PDF and no prep"), (b"%PDF-1.7 hello", "no sheet of Shimwise")],
)
def test_what_is_no_sheet_is_refused_beside_the_field(door: Door, data: bytes, told: str) -> None:
    page = checked(door, data, status=422)
    assert told in page.text
    assert "file-wrong" in page.ids


def test_what_is_sent_is_limited_as_a_list_is() -> None:
    assert LIMITS.of("/verify") == LIMITS.of("/api/v1/papers/verify") == LIMITS.of("/house-list")


def test_leads_are_named_in_the_settings_and_changed_by_a_lead_only(door: Door) -> None:
    assert "No lead is named yet" in see(door, "/settings").text
    sent(door, "/settings/leads", names="B. Lead\n\nC. Lead\n")
    assert door.get("/leads") == {"names": ["B. Lead", "C. Lead"]}
    page = see(door, "/settings")
    assert "B. Lead and C. Lead may reopen any signed prep." in page.text
    assert (page.unlabelled, page.forbidden) == ([], [])
    refused = sent(door, "/settings/leads", 409, names="A. Stranger")
    assert "Only a lead changes who the leads are" in refused.text
    assert "A. Stranger</textarea>" in refused.text
    assert door.get("/leads") == {"names": ["B. Lead", "C. Lead"]}
    sent(door, "/settings/leads", names="", who="b. lead")
    assert door.get("/leads") == {"names": []}


def test_a_name_of_a_lead_that_cannot_be_one_is_refused_beside_the_field(door: Door) -> None:
    refused = sent(door, "/settings/leads", 422, names="x" * 300)
    assert 'id="names-wrong"' in refused.text
    assert door.get("/leads") == {"names": []}
