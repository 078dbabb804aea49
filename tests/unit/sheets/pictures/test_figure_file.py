"""Saving the figure: three formats, each with what it must hold, and clear refusals."""

import io
import re
import struct
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from invented_answers import LENS_TEXT, bench
from pypdf import PdfReader

from shimwise.errors import SheetError
from shimwise.sheets.pictures.figure_file import check_figure_path, save_figure
from shimwise.sheets.pictures.verdict_figure import verdict_figure

pytestmark = pytest.mark.slow  # draws figures

A4_WIDTH_PT, A4_HEIGHT_PT = 595.28, 841.89
"""ISO 216: 210 x 297 mm, at 72 points an inch."""
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def spec() -> dict[str, Any]:
    return verdict_figure(bench(), lens_text=LENS_TEXT)


def test_an_svg_holds_the_words_as_text_and_a_description(spec: dict[str, Any], tmp_path: Path) -> None:
    path = save_figure(spec, tmp_path / "verdict.svg")
    root = ET.fromstring(path.read_text(encoding="utf-8"))
    texts = {"".join(node.itertext()) for node in root.iter(f"{SVG}text")}
    words = {
        "short",
        "deep",
        "on the mark",
        "Body A-07",
        "H50 50 mm f/2",
        "−17 ± 7",
        "out, short",
        "not read",
    }
    assert words <= texts
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text.startswith("Body A-07 lands short")
    assert "H50: −17 ± 7 µm, out, short." in root.find(f"{SVG}desc").text
    assert not list(root.iter(f"{SVG}image"))


def test_a_description_with_angle_brackets_leaves_the_svg_well_formed(tmp_path: Path) -> None:
    answer = replace(bench(), headline='A <b> & "c" lands short.')
    path = save_figure(verdict_figure(answer), tmp_path / "odd.svg")
    root = ET.fromstring(path.read_text(encoding="utf-8"))
    assert root.find(f"{SVG}desc").text.startswith('A <b> & "c" lands short.')


def test_a_pdf_is_one_page_that_fits_a4_with_its_fonts_inside(spec: dict[str, Any], tmp_path: Path) -> None:
    content = save_figure(spec, tmp_path / "verdict.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    [page] = PdfReader(io.BytesIO(content)).pages
    assert 500 < float(page.mediabox.width) <= A4_WIDTH_PT
    assert 400 < float(page.mediabox.height) <= A4_HEIGHT_PT
    text = page.extract_text()
    assert "H50 50 mm f/2" in text
    assert "out, short" in text
    fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
    assert fonts
    for font in fonts:
        descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert {"/FontFile2", "/FontFile3"} & set(descriptor)


def test_a_png_has_two_pixels_for_each_point(spec: dict[str, Any], tmp_path: Path) -> None:
    svg = save_figure(spec, tmp_path / "verdict.svg").read_text(encoding="utf-8")
    content = save_figure(spec, tmp_path / "verdict.PNG").read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")
    # PNG specification, IHDR: width and height are the first two big-endian integers after byte 16.
    width, height = struct.unpack(">II", content[16:24])
    found = re.search(r'width="(\d+)" height="(\d+)"', svg)
    assert found
    assert (width, height) == (2 * int(found[1]), 2 * int(found[2]))


def test_saving_again_replaces_the_file_and_leaves_nothing_beside_it(
    spec: dict[str, Any], tmp_path: Path
) -> None:
    target = tmp_path / "verdict.svg"
    target.write_text("old")
    save_figure(spec, str(target))
    assert target.read_text(encoding="utf-8").startswith("<svg")
    assert [path.name for path in tmp_path.iterdir()] == ["verdict.svg"]


@pytest.mark.parametrize("name", ["verdict.jpg", "verdict", "verdict.svg.gz", ".svg"])
def test_another_ending_is_refused_with_the_accepted_ones(
    spec: dict[str, Any], tmp_path: Path, name: str
) -> None:
    with pytest.raises(SheetError, match=r"saved as \.svg, \.png or \.pdf, but"):
        save_figure(spec, tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_refused(spec: dict[str, Any], tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"there is no folder .*missing\. Make it first"):
        save_figure(spec, tmp_path / "missing" / "verdict.svg")


def test_a_folder_in_the_place_of_the_file_is_refused(spec: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "verdict.svg").mkdir()
    with pytest.raises(SheetError, match="that is a folder"):
        save_figure(spec, tmp_path / "verdict.svg")


def test_a_folder_that_may_not_be_written_is_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("os.access", lambda *_: False)
    with pytest.raises(SheetError, match=r"cannot be written to\. Choose another"):
        check_figure_path(tmp_path / "verdict.svg")


def test_a_file_that_cannot_be_written_is_told_with_its_reason(
    spec: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(SheetError, match=r"verdict.svg: Permission denied. Choose another folder") as caught:
        save_figure(spec, tmp_path / "verdict.svg")
    assert isinstance(caught.value.__cause__, PermissionError)
    assert not list(tmp_path.iterdir())
