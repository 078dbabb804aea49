"""Whether a sheet is what was signed."""

import contextlib
import copy
import io
import json
import warnings
from dataclasses import replace
from typing import Any

import pypdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_preps import prep_document, signed_document
from pypdf.annotations import FreeText
from pypdf.generic import DecodedStreamObject, NameObject, TextStringObject

from property_cases import examples
from shimwise.bench.sign.papers import CHECK, MadePaper, State, make_paper, verify_paper
from shimwise.errors import SheetError
from shimwise.sheets.papers.signed.findings import KeptSignature
from shimwise.sheets.papers.signed.verify import find_in_pdf

pytestmark = pytest.mark.slow  # sets pages


@pytest.fixture(scope="module")
def signed_sheet() -> MadePaper:
    """A sheet without a sweep, whose pictures take long to read."""
    return make_paper(CHECK, [signed_document(with_sweep=False)])


def _written(writer: pypdf.PdfWriter) -> bytes:
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def _clone(pdf: bytes) -> pypdf.PdfWriter:
    return pypdf.PdfWriter(clone_from=io.BytesIO(pdf))


def _kept(digest: str) -> KeptSignature:
    return KeptSignature(
        digest=digest,
        revision=3,
        signed_by="technician",
        signed_at="2026-02-03T10:15:00+00:00",
        is_standing=True,
        document=None,
    )


def _state(data: bytes) -> State:
    (finding,) = verify_paper(data)
    return finding.standing


def test_a_signed_sheet_is_as_it_was_signed(signed_sheet: MadePaper) -> None:
    (finding,) = verify_paper(signed_sheet.pdf)
    assert (finding.state, finding.signed_by) == (State.AS_SIGNED, "technician")
    assert finding.digest == signed_sheet.digests[0]


def test_a_sheet_that_another_program_saved_again_is_no_longer_the_houses_page(
    signed_sheet: MadePaper,
) -> None:
    (finding,) = verify_paper(_written(_clone(signed_sheet.pdf)))
    assert finding.standing is State.PAGE_ALTERED
    assert [words for words in finding.words if "Page " in words] == []  # what is drawn is the same
    assert "saved by another program" in finding.words[0]


def test_words_laid_over_a_page_are_found(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    writer.add_annotation(0, FreeText(text="in tolerance", rect=(100, 100, 200, 200)))
    (finding,) = verify_paper(_written(writer))
    assert finding.standing is State.PAGE_ALTERED
    assert "Page 1 is not what its prep says" in " ".join(finding.words)


def test_a_drawing_changed_on_a_page_is_found(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    page = writer.pages[0]
    stream = DecodedStreamObject()
    stream.set_data(page.get_contents().get_data() + b" 0 0 600 600 re f ")
    page[NameObject("/Contents")] = writer._add_object(stream)
    (finding,) = verify_paper(_written(writer))
    assert finding.standing is State.PAGE_ALTERED
    assert "What the pages do not show" not in " ".join(finding.words)


def test_a_page_taken_out_is_found(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    del writer.pages[1]
    (finding,) = verify_paper(_written(writer))
    assert finding.standing is State.PAGE_ALTERED
    said = f"has {signed_sheet.pages - 1} pages; made anew from its prep it has {signed_sheet.pages}"
    assert said in " ".join(finding.words)


def test_a_sheet_made_of_a_changed_prep_is_found(signed_sheet: MadePaper) -> None:
    document = signed_document(with_sweep=False)
    document["readings"][3]["reading_text"] = "3'"
    (finding,) = verify_paper(make_paper(CHECK, [document]).pdf)
    assert finding.state is State.ALTERED
    assert "not what was signed" in finding.words[0]


def test_a_draft_is_not_signed() -> None:
    assert _state(make_paper(CHECK, [prep_document(with_sweep=False)]).pdf) is State.NOT_SIGNED


_paths = [
    "prep.title",
    "readings.5.reading_mm",
    "readings.0.operator",
    "setups.0.distance_text",
    "lenses.1.name",
]


@settings(max_examples=examples(15), deadline=None)
@given(path=st.sampled_from(_paths), typed=st.text(st.characters(exclude_categories=["Cs"]), max_size=8))
def test_any_change_of_what_was_signed_is_found_in_the_file(path: str, typed: str) -> None:
    document = signed_document(with_sweep=False)
    *way, last = path.split(".")
    row: Any = document
    for step in way:
        row = row[int(step)] if step.isdigit() else row[step]
    before, row[last] = row[last], typed
    expected = State.AS_SIGNED if typed == before else State.ALTERED
    assert _state(json.dumps(document).encode()) is expected


def test_the_order_of_names_in_a_file_says_nothing() -> None:
    document = signed_document(with_sweep=False)
    turned = dict(reversed(document.items())) | {"prep": dict(reversed(document["prep"].items()))}
    assert _state(json.dumps(turned, indent=3, ensure_ascii=True).encode()) is State.AS_SIGNED


def test_a_signature_that_the_record_does_not_hold_is_found() -> None:
    # Whoever changes a prep can sign it anew; the record's own signature tells.
    forged = signed_document(with_sweep=False)
    kept, seal = forged["sign_offs"][0]["digest"], forged["sign_offs"][0].pop("seal")
    data = json.dumps(forged).encode()
    assert verify_paper(data, recorded=lambda prep_id: [_kept(kept)])[0].standing is State.NOT_SEALED
    for known, words in (([_kept("0" * 64)], "begins 0000"), ([], "has no signature")):
        (finding,) = verify_paper(data, recorded=lambda prep_id, known=known: known)
        assert finding.state is State.ALTERED
        assert words in " ".join(finding.words)
    # What carries the house's own seal was signed here: then it is the record that was changed.
    forged["sign_offs"][0]["seal"] = seal
    (finding,) = verify_paper(json.dumps(forged).encode(), recorded=lambda prep_id: [_kept("0" * 64)])
    assert finding.standing is State.AS_SIGNED
    assert "the record was changed, not this file" in finding.words[-1]


def test_a_prep_that_the_record_does_not_hold_is_unknown_and_altered_all_the_same() -> None:
    document = signed_document(with_sweep=False)
    (finding,) = verify_paper(json.dumps(document).encode(), recorded=lambda prep_id: None)
    assert finding.standing is State.AS_SIGNED
    assert "only the house that signed it can tell" in finding.words[-1]
    del document["sign_offs"][0]["seal"]
    (finding,) = verify_paper(json.dumps(document).encode(), recorded=lambda prep_id: None)
    assert finding.state is State.UNKNOWN
    assert "not known to this house" in finding.sentence
    document["prep"]["title"] = "another"
    (finding,) = verify_paper(json.dumps(document).encode(), recorded=lambda prep_id: None)
    assert finding.state is State.ALTERED
    assert "holds no such prep" in finding.words[-1]


def test_a_signature_before_the_prep_was_reopened_is_older() -> None:
    document = signed_document(with_sweep=False)
    digest = document["sign_offs"][0]["digest"]
    newer = replace(_kept("1" * 64), revision=9, signed_by="B. Lead", signed_at="2026-02-04T08:00:00+00:00")
    for known, now in (
        ([replace(_kept(digest), is_standing=False)], "nobody has signed it again"),
        ([replace(_kept(digest), is_standing=False), newer], "revision 9 stands, signed by B. Lead on 4 Feb"),
    ):
        (finding,) = verify_paper(json.dumps(document).encode(), recorded=lambda prep_id, known=known: known)
        assert finding.state is State.OLDER
        assert "no longer counts" in finding.sentence
        assert now in finding.words[0]


def test_a_sheet_of_an_older_revision_whose_page_was_changed_is_altered(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    del writer.pages[1]
    known = [replace(_kept(signed_sheet.digests[0]), is_standing=False)]
    (finding,) = verify_paper(_written(writer), recorded=lambda prep_id: known)
    assert finding.state is State.ALTERED


def test_each_prep_of_a_day_is_told() -> None:
    first, second = signed_document(with_sweep=False), prep_document(with_sweep=False)
    second["prep"] = second["prep"] | {"id": "other"}
    states = [finding.state for finding in verify_paper(make_paper(CHECK, [first, second]).pdf)]
    assert states == [State.AS_SIGNED, State.NOT_SIGNED]


def _without_prep(pdf: bytes) -> bytes:
    reader, writer = pypdf.PdfReader(io.BytesIO(pdf)), pypdf.PdfWriter()
    for page in reader.pages:
        writer.add_page(page)
    return _written(writer)


def test_what_is_no_sheet_is_refused_in_words(signed_sheet: MadePaper) -> None:
    for data, words in (
        (b"", "no PDF and no prep"),
        (b"PK\x03\x04", "no PDF and no prep"),
        (b"%PDF-1.7\nnothing", "cannot be read"),
        (_without_prep(signed_sheet.pdf), "carries no sheet.json"),
        (b'{"schema": "shimwise.prep/1"', "no JSON"),
        (b'{"schema": "x"}', "its schema is 'x'"),
        (b'{"a": 1, "a": 2}', "stands twice"),
        (b'{"a": NaN}', "NaN is no number"),
    ):
        with pytest.raises(SheetError, match=words):
            verify_paper(data)


def test_a_second_prep_slipped_in_is_refused(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    writer.add_attachment("prep.json", json.dumps(prep_document()).encode())
    with pytest.raises(SheetError, match=r"carries prep\.json 2 times"):
        verify_paper(_written(writer))


def test_a_sheet_of_another_version_is_told_by_the_signature_of_its_pages(
    signed_sheet: MadePaper, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shimwise.sheets.papers.signed.verify.maker_print", lambda: "another")
    (finding,) = verify_paper(signed_sheet.pdf)
    assert finding.state is State.AS_SIGNED
    writer = _clone(signed_sheet.pdf)
    writer.add_annotation(0, FreeText(text="in tolerance", rect=(100, 100, 200, 200)))
    assert _state(_written(writer)) is State.PAGE_ALTERED


def test_words_that_only_a_reader_aloud_would_say_are_compared_too(signed_sheet: MadePaper) -> None:
    writer = _clone(signed_sheet.pdf)
    figure = next(one for one in writer._objects if isinstance(one, dict) and one.get("/Alt"))
    figure[NameObject("/Alt")] = TextStringObject("all is in tolerance")
    (finding,) = verify_paper(_written(writer))
    assert finding.standing is State.PAGE_ALTERED
    assert "What the pages do not show was changed" in finding.words[-1]


@settings(
    max_examples=examples(3), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(places=st.lists(st.tuples(st.integers(0, 2**30), st.integers(0, 255)), min_size=1, max_size=4))
def test_a_damaged_file_is_told_or_refused_and_never_breaks(
    signed_sheet: MadePaper, places: list[tuple[int, int]]
) -> None:
    data = bytearray(signed_sheet.pdf)
    for place, value in places:
        data[place % len(data)] = value
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with contextlib.suppress(SheetError):  # refused in words; any other error fails the test
            findings = find_in_pdf(bytes(data), remade=lambda made, preps: signed_sheet.pdf)
            assert findings[0].digest == signed_sheet.digests[0]


def test_signing_a_copy_leaves_the_document() -> None:
    document = signed_document()
    before = copy.deepcopy(document)
    make_paper(CHECK, [document])
    assert document == before


def test_a_prep_that_was_reopened_is_not_signed() -> None:
    document = signed_document(with_sweep=False)
    document["prep"]["state"] = "open"
    (finding,) = verify_paper(json.dumps(document).encode())
    assert (finding.state, finding.words) == (
        State.NOT_SIGNED,
        ("The prep was signed, and opened again since.",),
    )
