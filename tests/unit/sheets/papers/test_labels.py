"""Labels: true to their millimetres, readable by a camera, refused where they do not fit."""

import io
import re
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_preps import prep_document, signed_document

from shimwise.bench.sign.papers import LABELS, LabelSizes, make_paper, read_label_sizes
from shimwise.errors import SheetError
from shimwise.sheets.papers.label_sizes import label_sizes
from shimwise.sheets.papers.labels import unit_code

pytestmark = pytest.mark.slow  # sets pages

Raster = Callable[..., list[Path]]
DPI = 600
ODD = LabelSizes(
    width_mm=47.3,
    height_mm=22.7,
    left_mm=11.1,
    top_mm=13.7,
    gap_x_mm=3.3,
    gap_y_mm=4.1,
    columns=3,
    rows=4,
    first=2,
)


def _edges_mm(path: Path, sizes: LabelSizes, *, column: int, row: int) -> tuple[float, ...]:
    """Left, right, top, bottom of a label's hairline as printed [mm], from the darkness across it."""
    page = 255.0 - cv2.imread(str(path), cv2.IMREAD_GRAYSCALE).astype(float)
    left = sizes.left_mm + column * (sizes.width_mm + sizes.gap_x_mm)
    top = sizes.top_mm + row * (sizes.height_mm + sizes.gap_y_mm)
    right, bottom = left + sizes.width_mm, top + sizes.height_mm
    dot = 25.4 / DPI

    def line_mm(near_mm: float, profile: np.ndarray) -> float:
        low = round((near_mm - 0.5) / dot)
        part = profile[low : low + round(1.0 / dot)]
        assert part.sum() > 0
        return float((part * (np.arange(low, low + part.size) + 0.5)).sum() / part.sum() * dot)

    # between the corners, where only the hairline runs: 1.2 mm inside the label's own edge
    inner_y = slice(round((top + 0.6) / dot), round((top + 1.2) / dot))
    inner_x = slice(round((left + 0.6) / dot), round((left + 1.2) / dot))
    across, down = page[inner_y].mean(axis=0), page[:, inner_x].mean(axis=1)
    return line_mm(left, across), line_mm(right, across), line_mm(top, down), line_mm(bottom, down)


@pytest.mark.parametrize("sizes", [LabelSizes(), ODD])
def test_labels_stand_true_to_a_tenth_of_a_millimetre(sizes: LabelSizes, rastered: Raster) -> None:
    (page,) = rastered(make_paper(LABELS, [signed_document()], sizes=sizes).pdf, dpi=DPI)
    for column, row in ((2, 0), (1, 1), (0, 2)):
        left = sizes.left_mm + column * (sizes.width_mm + sizes.gap_x_mm)
        top = sizes.top_mm + row * (sizes.height_mm + sizes.gap_y_mm)
        expected = (left, left + sizes.width_mm, top, top + sizes.height_mm)
        assert _edges_mm(page, sizes, column=column, row=row) == pytest.approx(expected, abs=0.1)


def test_the_sheet_has_the_size_of_its_paper() -> None:
    box = pypdf.PdfReader(io.BytesIO(make_paper(LABELS, [signed_document()]).pdf)).pages[0].mediabox
    size_mm = [float(side) * 25.4 / 72 for side in (box.width, box.height)]
    assert size_mm == pytest.approx([210, 297], abs=0.01)


def test_a_camera_reads_from_a_label_which_unit_it_is(rastered: Raster) -> None:
    (page,) = rastered(
        make_paper(LABELS, [signed_document()], names=["H40"], link="https://bench.example").pdf, dpi=300
    )
    text, _, _ = cv2.QRCodeDetector().detectAndDecode(cv2.imread(str(page)))
    assert text == "https://bench.example/lenses/lens-H40"


def test_without_an_address_the_square_names_kind_and_id() -> None:
    # As a label is looked for in the record: kind, a colon or slash, and an id of 32 hexadecimal digits.
    text = unit_code("body", "0" * 32, "")
    assert re.fullmatch(r"body[/:][0-9a-f]{32}", text)


def test_a_label_tells_error_date_and_lock(text_of: Callable[[bytes], str]) -> None:
    text = text_of(make_paper(LABELS, [signed_document()]).pdf)
    for told in (
        "−24 ± 6 µm",
        "out, short",
        "3 February 2026",
        "sensor locked",
        "locked □ free",
        "in tolerance",
    ):
        assert told in text, told
    assert "draft" not in text
    assert "draft" in text_of(make_paper(LABELS, [prep_document()]).pdf)


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ([("confirmed", "left free")], "sensor free"),
        ([("confirmed", "set"), ("taken back", None)], "□ locked □ free"),
        ([("confirmed", "set"), ("taken back", None), ("confirmed", "left free")], "sensor free"),
        ([], "□ locked □ free"),
    ],
)
def test_the_lock_is_told_as_it_was_answered_last(
    events: list[tuple[str, str | None]], told: str, text_of: Callable[[bytes], str]
) -> None:
    document = signed_document()
    document["adjustments"] = [
        {
            **document["adjustments"][0],
            "steps": [{"event": event, "step": "lock after", "answer": answer} for event, answer in events],
        }
    ]
    assert told in text_of(make_paper(LABELS, [document], names=["A-12"]).pdf)


def test_used_labels_are_left_empty_and_a_full_sheet_begins_another() -> None:
    sizes = LabelSizes(first=25)
    assert sizes.corner_mm(0) == (0, pytest.approx(24.0), pytest.approx(17.5 + 8 * 27.0))
    assert sizes.corner_mm(6)[0] == 1
    assert make_paper(LABELS, [signed_document()], sizes=sizes).pages == 2


@given(columns=st.integers(1, 5), rows=st.integers(1, 12), width=st.floats(24, 60), height=st.floats(12, 40))
def test_labels_never_lie_outside_their_sheet(columns: int, rows: int, width: float, height: float) -> None:
    try:
        sizes = LabelSizes(columns=columns, rows=rows, width_mm=width, height_mm=height)
    except SheetError:
        return
    corners = [sizes.corner_mm(place) for place in range(columns * rows)]
    assert max(left for _, left, _ in corners) + width <= 210.011
    assert max(top for _, _, top in corners) + height <= 297.011


def test_sizes_are_read_from_a_settings_file(tmp_path: Path) -> None:
    file = tmp_path / "labels.toml"
    file.write_text("[labels]\nwidth_mm = 60\nheight_mm = 30.5\ncolumns = 2\nrows = 8\nhas_border = false\n")
    sizes = read_label_sizes(file)
    assert (sizes.width_mm, sizes.height_mm, sizes.columns, sizes.has_border) == (60.0, 30.5, 2, False)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("width_mm = ", "no TOML"),
        ("breadth = 3", "'breadth', which is none of width_mm"),
        ("width_mm = '50'", "width_mm is '50'; give a number of mm"),
        ("columns = 2.5", "give a whole number"),
        ("has_border = 1", "give true or false"),
        ("width_mm = 3", "width_mm is 3; give 24 to 200 mm"),
        ("width_mm = nan", "width_mm is nan"),
        ("columns = 9", "9 labels reach to"),
        ("first = 31", "number 31; a sheet has 1 to 30"),
        ("labels = 3", "no table"),
    ],
)
def test_sizes_that_cannot_be_are_refused(text: str, words: str) -> None:
    with pytest.raises(SheetError, match=words):
        label_sizes(text.encode())


def test_a_unit_that_was_not_judged_has_no_label() -> None:
    with pytest.raises(SheetError, match="'H99' was not judged in this prep; there are A-07"):
        make_paper(LABELS, [signed_document()], names=["H99"])
