"""The signature of a paper's pages: read by other programs, over the whole file, by a house that is known."""

import io
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_preps import prep_document, signed_document
from pypdf.generic import DictionaryObject, NameObject, TextStringObject

from property_cases import examples
from shimwise.bench.sign.papers import CHECK, LABELS, MadePaper, State, make_paper, verify_paper
from shimwise.errors import SheetError
from shimwise.house_keys import FOLDER_VARIABLE, HouseKey, house_key, known_keys, public_pem
from shimwise.sheets.papers.signed.page_signature import MARK, sign_pages, signature_in

pytestmark = pytest.mark.slow  # sets pages


@pytest.fixture(scope="module")
def signed_sheet() -> MadePaper:
    """A sheet without a sweep, whose pictures take long to read."""
    return make_paper(CHECK, [signed_document(with_sweep=False)])


NOON = datetime(2026, 2, 3, 12, tzinfo=UTC)


def pages_of(sheet: MadePaper) -> bytes:
    found = signature_in(sheet.pdf)
    assert found is not None
    return found.pages


def repainted(pages: bytes) -> bytes:
    """The pages as another program would write them, with a word more on the first."""
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(pages))
    page = writer.pages[0]
    content = page.get_contents()
    assert content is not None
    content.set_data(content.get_data() + b" 0 0 600 600 re f ")
    page[NameObject("/Contents")] = writer._add_object(content)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def other_key(tmp_path: Path) -> HouseKey:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(FOLDER_VARIABLE, str(tmp_path / "other"))
        return house_key()


def test_another_program_calls_the_signature_valid_and_over_all_of_the_file(signed_sheet: MadePaper) -> None:
    # pyHanko, a library that signs and checks PDF by the same standards, has no line in common with ours.
    validation = pytest.importorskip("pyhanko.sign.validation")
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko_certvalidator import ValidationContext

    [signature] = PdfFileReader(io.BytesIO(signed_sheet.pdf)).embedded_signatures
    context = ValidationContext(trust_roots=[signature.signer_cert])
    status = validation.validate_pdf_signature(signature, signer_validation_context=context)
    assert (status.bottom_line, status.coverage.name) == (True, "ENTIRE_FILE")
    assert status.docmdp_ok
    assert signature.sig_object["/SubFilter"] == "/ETSI.CAdES.detached"


def test_a_reader_of_pdf_calls_it_valid(signed_sheet: MadePaper, tmp_path: Path) -> None:
    if shutil.which("pdfsig") is None:
        pytest.skip("poppler-utils is not installed")
    (tmp_path / "sheet.pdf").write_bytes(signed_sheet.pdf)
    words = ["pdfsig", "-nocert", str(tmp_path / "sheet.pdf")]
    said = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False).stdout
    assert "Signature is Valid" in said
    assert "Total document signed" in said


def test_pages_signed_again_are_the_same_bytes_and_of_one_house(
    signed_sheet: MadePaper, tmp_path: Path
) -> None:
    pages, key = pages_of(signed_sheet), house_key()
    once = sign_pages(pages, key=key, at=NOON)
    assert once == sign_pages(pages, key=key, at=NOON)
    other = other_key(tmp_path)
    for maker, stranger in ((key, other), (other, key)):
        found = signature_in(sign_pages(pages, key=maker, at=NOON))
        assert found is not None
        assert (found.is_of(maker.public), found.is_of(stranger.public)) == (True, False)


@settings(max_examples=examples(60), deadline=None)
@given(place=st.integers(0, 2**30), bit=st.integers(0, 7))
def test_no_bit_of_the_file_can_be_changed(signed_sheet: MadePaper, place: int, bit: int) -> None:
    data = bytearray(signed_sheet.pdf)
    begin = data.rfind(MARK)  # every other case is in the signature itself
    at = begin + place % (len(data) - begin) if place % 2 else place % len(data)
    data[at] ^= 1 << bit
    assert signature_in(bytes(data)) is None


def test_nothing_can_be_added_behind_or_before(signed_sheet: MadePaper) -> None:
    pages, place = pages_of(signed_sheet), signed_sheet.pdf.rfind(MARK)
    update = signed_sheet.pdf[place:]
    for data in (
        signed_sheet.pdf + b"\n",
        signed_sheet.pdf + update,
        b"\n" + signed_sheet.pdf,
        pages + b"\n" + update,
        repainted(pages) + update,
    ):
        assert signature_in(data) is None


def test_a_field_of_no_size_leaves_the_page_archival_and_readable_aloud(signed_sheet: MadePaper) -> None:
    # ISO 19005-3, 6.3.2 and 6.3.3: printed, not hidden, no appearance needed at no size. ISO 14289-1, 7.18.3:
    # the tab order is that of the structure; 7.18.4: a field has a name to be read aloud.
    reader = pypdf.PdfReader(io.BytesIO(signed_sheet.pdf))
    [field] = [one.get_object() for one in reader.pages[0]["/Annots"]]  # type: ignore[attr-defined]
    assert (field["/Rect"], field["/F"] & 0b100, field["/F"] & 0b100011) == ([0, 0, 0, 0], 4, 0)
    assert reader.pages[0]["/Tabs"] == "/S"
    assert field["/TU"]
    assert b"pdfaid:part>3" in signed_sheet.pdf
    assert b"pdfuaid:part" in signed_sheet.pdf


def test_a_repainted_page_is_not_as_signed_whatever_it_says_made_it(
    signed_sheet: MadePaper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shimwise.sheets.papers.signed.verify.maker_print", lambda: "another")
    pages = pages_of(signed_sheet)
    (taken_off,) = verify_paper(repainted(pages))
    assert taken_off.standing is State.PAGE_NOT_SIGNED
    assert "is not compared" in taken_off.sentence
    (by_another,) = verify_paper(sign_pages(pages, key=other_key(tmp_path), at=NOON))
    assert by_another.standing is State.PAGE_ALTERED
    assert "not made by a house that is known here" in by_another.sentence


def test_a_sheet_of_another_house_is_as_signed_where_its_key_is_known(
    signed_sheet: MadePaper, tmp_path: Path
) -> None:
    key = tmp_path / "their.pem"
    key.write_text(public_pem(house_key().public))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(FOLDER_VARIABLE, str(tmp_path / "elsewhere"))
        assert verify_paper(signed_sheet.pdf)[0].standing is State.OTHER_HOUSE
        assert known_keys() == ()  # looking makes no key
        (finding,) = verify_paper(signed_sheet.pdf, keys=[key])
    assert finding.state is State.AS_SIGNED
    assert "the house known here as their made" in finding.words[-1]


def _script(writer: pypdf.PdfWriter) -> None:
    script = {
        NameObject("/S"): NameObject("/JavaScript"),
        NameObject("/JS"): TextStringObject("app.alert('1')"),
    }
    writer.root_object[NameObject("/Names")] = writer._add_object(DictionaryObject(script))


def _open_action(writer: pypdf.PdfWriter) -> None:
    action = {NameObject("/S"): NameObject("/URI"), NameObject("/URI"): TextStringObject("https://x.example")}
    writer.root_object[NameObject("/OpenAction")] = DictionaryObject(action)


def _page_action(writer: pypdf.PdfWriter) -> None:
    launch = DictionaryObject({NameObject("/S"): NameObject("/Launch")})
    writer.pages[0][NameObject("/AA")] = DictionaryObject({NameObject("/O"): launch})


@pytest.mark.parametrize("add", [_script, _open_action, _page_action])
def test_a_document_with_an_action_or_a_script_is_refused(signed_sheet: MadePaper, add: object) -> None:
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(pages_of(signed_sheet)))
    add(writer)  # type: ignore[operator]
    out = io.BytesIO()
    writer.write(out)
    with pytest.raises(SheetError, match="holds an action or a script"):
        verify_paper(out.getvalue())


def test_labels_and_drafts_are_signed_too(signed_sheet: MadePaper) -> None:
    for made in (
        make_paper(LABELS, [signed_document()]),
        make_paper(CHECK, [prep_document(with_sweep=False)]),
    ):
        found = signature_in(made.pdf)
        assert found is not None
        assert found.is_of(house_key().public)
    assert re.search(rb"/M\(D:\d{14}Z\)", signed_sheet.pdf)
