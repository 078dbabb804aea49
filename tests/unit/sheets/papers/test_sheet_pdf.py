"""The check sheet as a PDF: what stands on it, what kind of file it is, and what a person may type."""

import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import pypdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_preps import prep_document, signed_document

from property_cases import examples
from shimwise.bench.sign import papers
from shimwise.bench.sign.papers import CHECK, MadePaper, make_paper
from shimwise.errors import SheetError
from shimwise.sheets.papers.signed.canonical_json import digest_words

pytestmark = pytest.mark.slow  # sets pages

Text = Callable[[bytes], str]
Raster = Callable[..., list[Path]]


def _small(**prep: object) -> dict[str, Any]:
    """A prep of one body, six lenses and 18 readings, all in tolerance."""
    document = prep_document(readings=96, with_sweep=False)
    lenses = ["H18", "H21", "H25", "H32", "H50", "H75"]
    document["bodies"] = [row for row in document["bodies"] if row["name"] == "A-12"]
    document["lenses"] = [row for row in document["lenses"] if row["name"] in lenses]
    wanted = {f"lens-{name}" for name in lenses}
    rows = [row for row in document["readings"] if row["body_id"] == "body-A-12" and row["lens_id"] in wanted]
    document["readings"] = rows[:18]
    document["adjustments"] = []
    document["prep"] |= prep
    verdict = document["verdicts"][0]["document"] = dict(document["verdicts"][0]["document"])
    verdict["bodies"] = [unit for unit in verdict["bodies"] if unit["name"] == "A-12"]
    verdict["lenses"] = [
        {**unit, "verdict": "in_tolerance"} for unit in verdict["lenses"] if unit["name"] in lenses
    ]
    seen = {row["seq"] for row in document["readings"]}
    verdict["readings"] = [row for row in verdict["readings"] if row["row"] in seen]
    verdict["setups"] = [setup for setup in verdict["setups"] if setup["name"].startswith("A-12")]
    verdict["headline"] = "Body A-12 and six lenses are in tolerance."
    verdict["remedies"], verdict["warnings"], verdict["notices"] = [], [], []  # they name the other body
    return document


def test_a_usual_prep_stands_on_one_page_of_either_paper() -> None:
    assert [make_paper(CHECK, [_small()], paper=paper).pages for paper in ("A4", "Letter")] == [1, 1]


def test_a_sheet_tells_who_what_when_and_the_digest_in_text(signed_sheet: MadePaper, text_of: Text) -> None:
    text = text_of(signed_sheet.pdf)
    for told in (
        "Prep for a demonstration",
        "Signed by technician, 3 February 2026, 10:15 UTC",
        "Body A-07 lands short",
        "21.5 °C",
        "assistant and technician",
        "Risk if passed",
        "Not checked",
        "2' 9 1/2\"",
        "7 withdrawn by technician: the lens was not seated.",
        "H40: goes to the lens technician (technician)",
        digest_words(signed_sheet.digests[0]),
    ):
        assert told in text, told


def test_a_sheet_is_archival_tagged_and_speaks_its_language(signed_sheet: MadePaper) -> None:
    # ISO 19005-3 and ISO 14289-1: both are claimed in the XMP packet; typst refuses what breaks them.
    reader = pypdf.PdfReader(io.BytesIO(signed_sheet.pdf))
    root = reader.trailer["/Root"]
    packet = root["/Metadata"].get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in packet
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in packet
    assert "<pdfuaid:part>1</pdfuaid:part>" in packet
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    fonts = [font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()]
    inner = [font["/DescendantFonts"][0].get_object() for font in fonts if "/DescendantFonts" in font]
    assert inner
    for font in inner:
        assert {"/FontFile2", "/FontFile3"} & set(font["/FontDescriptor"].get_object())


def test_the_prep_travels_in_its_sheet(signed_sheet: MadePaper) -> None:
    attached = pypdf.PdfReader(io.BytesIO(signed_sheet.pdf)).attachments
    assert json.loads(attached["prep.json"][0]) == signed_document()


@pytest.mark.usefixtures("made_anew")
def test_the_same_prep_gives_the_same_bytes(signed_sheet: MadePaper) -> None:
    assert make_paper(CHECK, [signed_document()]).pdf == signed_sheet.pdf


def test_a_sheet_with_sixty_readings_and_a_sweep_is_small(signed_sheet: MadePaper) -> None:
    assert len(signed_sheet.pdf) <= 400_000


def test_the_paper_has_its_size_in_points(signed_sheet: MadePaper) -> None:
    # 1 pt is 1/72 in; ISO 216: 210 × 297 mm. Letter: 8.5 × 11 in.
    for pdf, size in (
        (signed_sheet.pdf, (210 / 25.4 * 72, 297 / 25.4 * 72)),
        (make_paper(CHECK, [_small()], paper="letter").pdf, (612, 792)),
    ):
        box = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.01)


def test_a_paper_that_is_not_known_is_refused() -> None:
    with pytest.raises(SheetError, match="give A4 or Letter"):
        make_paper(CHECK, [_small()], paper="B5")


def test_a_draft_says_so_and_a_changed_prep_too(text_of: Text) -> None:
    assert "Draft: not signed" in text_of(make_paper(CHECK, [prep_document(with_sweep=False)]).pdf)
    changed = signed_document(with_sweep=False)
    changed["readings"][3]["reading_text"] = "3'"
    assert "not signed as it stands" in text_of(make_paper(CHECK, [changed]).pdf)


def test_a_landing_by_picture_is_told_with_its_uncertainty(text_of: Text) -> None:
    document = prep_document(with_sweep=False)
    assert "on the taped mark" not in " ".join(text_of(make_paper(CHECK, [document]).pdf).split())
    document["readings"][3] |= {"landing_um": -12.3, "landing_sd_um": 0.7, "setting": "1"}
    text = text_of(make_paper(CHECK, [document]).pdf)
    assert re.search(r"picture\s−\d+\.\d\s±\s1\.4", text), "the landing as it was judged"
    assert "with the ring on the taped mark" in " ".join(text.split())


def test_a_prep_without_a_verdict_says_that_nothing_was_judged(text_of: Text) -> None:
    document = prep_document(with_sweep=False) | {"verdicts": []}
    text = text_of(make_paper(CHECK, [document]).pdf)
    assert "Nothing has been judged yet." in text
    assert "the prep holds no verdict" in text


def test_a_day_is_one_file_whose_sheets_count_their_own_pages(text_of: Text) -> None:
    told: list[tuple[str, int, int]] = []
    made = make_paper(
        CHECK, [_small(title=f"Prep {n}") for n in range(3)], progress=lambda *words: told.append(words)
    )
    text = text_of(made.pdf)
    assert made.pages == 3
    assert text.count("page 1 of 1") == 3
    assert [done for what, done, total in told if total] == [0, 1, 2, 3]
    assert set(pypdf.PdfReader(io.BytesIO(made.pdf)).attachments) == {
        "sheet.json",
        "prep-001.json",
        "prep-002.json",
        "prep-003.json",
    }


HOSTILE = [
    '#panic("no") $ sum $ *bold* _it_ `code` @ref <label> [x] {y} \\ // /* = head\n- list',
    '#read("/etc/hostname") #import "house.typ": *',
    "中文 日本 😀 مرحبا שלום ✓ \u0000 \u202e \ufeff",
    "A" * 300,
]


@pytest.mark.parametrize("typed", HOSTILE)
def test_what_a_person_typed_is_text_and_never_markup(typed: str, text_of: Text) -> None:
    document = _small(title=typed, note=typed, started_by=typed)
    document["readings"][0]["operator"] = typed
    document["lenses"][0]["name"] = typed
    text = text_of(make_paper(CHECK, [document]).pdf).replace("\u200b", "")
    if typed.startswith("#"):
        assert typed.split("\n", 1)[0].replace(" ", "") in text.replace(" ", "")


_typed = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)


@settings(max_examples=examples(6), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(title=_typed, operator=_typed, reason=_typed)
def test_any_text_can_be_set(title: str, operator: str, reason: str) -> None:
    document = _small(title=title)
    document["verdicts"] = []
    document["readings"][0] |= {
        "operator": operator,
        "withdrawn_at": "2026-02-03T09:30:00+00:00",
        "withdrawn_reason": reason,
    }
    assert make_paper(CHECK, [document]).pages >= 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema": "other/1"}, "its schema is 'other/1'"),
        ({"prep": {}}, "no prep with the time it began"),
        ({"readings": {"a": 1}}, "readings is no list"),
        ({"readings": [{"id": "r"}]}, r"readings\[0\] lacks body_id, lens_id"),
        ({"prep": {"started_at": "noon"}}, "'noon' is no time"),
        ({"verdicts": [{"document": {"schema": "x"}}]}, "no verdict of the form"),
    ],
)
def test_what_is_no_prep_is_refused_with_its_place(change: dict[str, Any], words: str) -> None:
    with pytest.raises(SheetError, match=words):
        make_paper(CHECK, [_small() | change])


def test_a_verdict_that_misses_a_later_reading_is_told(text_of: Text) -> None:
    document = _small()
    assert "changed after its last verdict" not in text_of(make_paper(CHECK, [document]).pdf)
    document["readings"].append({**document["readings"][-1], "id": "late", "seq": 999})
    assert "changed after its last verdict" in text_of(make_paper(CHECK, [document]).pdf)


def test_lenses_of_the_set_that_have_no_part_in_the_prep_are_not_on_the_sheet(text_of: Text) -> None:
    document = _small(lens_ids=["lens-H18", "lens-H21", "lens-H25", "lens-H32", "lens-H50", "lens-H75"])
    document["lenses"].append({**document["lenses"][0], "id": "lens-H999", "name": "H999"})
    assert "H999" not in text_of(make_paper(CHECK, [document]).pdf)


def test_a_prep_that_has_only_begun_is_a_sheet_too(text_of: Text) -> None:
    document = {"schema": "shimwise.prep/1", "prep": {"started_at": "2026-02-03T08:10:00+00:00"}}
    made = make_paper(CHECK, [document])
    assert made.pages == 1
    assert "Prep of 3 February 2026" in text_of(made.pdf)


def test_a_camera_reads_the_prep_from_the_sheet(signed_sheet: MadePaper, rastered: Raster) -> None:
    page = rastered(signed_sheet.pdf, dpi=200)[0]
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(cv2.imread(str(page)))
    prep_id = signed_document()["prep"]["id"]
    assert text == f"SHIMWISE PREP {prep_id} {signed_sheet.digests[0][:16]}"


@pytest.mark.slow
def test_sheets_that_processes_draw_side_by_side_are_those_of_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(papers, "FEWEST_FOR_WORKERS", 2)
    day, told = [_small()] * 2, []
    beside = make_paper(CHECK, day, workers="1", progress=lambda *step: told.append(step))
    assert beside.pdf == make_paper(CHECK, day).pdf
    assert told[:3] == [("Drawing the sheets", done, 2) for done in range(3)]
