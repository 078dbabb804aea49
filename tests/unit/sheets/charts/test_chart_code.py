"""Ids, codes and equal bytes."""

import copy
import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import SheetError
from shimwise.sheets.charts.choice import standard_plan
from shimwise.sheets.charts.code import chart_id, layout_from_code, plan_to_code
from shimwise.sheets.charts.drawing import grey_stair, marker_modules, outline
from shimwise.sheets.charts.layout import layout_of
from shimwise.sheets.charts.paper import paper_of
from shimwise.sheets.charts.plan import SpokeKind
from shimwise.sheets.charts.sheet import chart_pdf


@given(
    paper=st.sampled_from(["A4", "A3", "Letter", "Tabloid", "333x777", "1500x1500"]),
    stars=st.sampled_from([5, 9]),
    kind=st.sampled_from(SpokeKind),
)
def test_a_code_gives_the_layout_back(paper: str, stars: int, kind: SpokeKind) -> None:
    plan = standard_plan(paper_of(paper), stars=stars, kind=kind)
    layout = layout_from_code(plan_to_code(plan))
    assert layout == {"id": chart_id(layout_of(plan)), **layout_of(plan)}


@given(text=st.text(max_size=120))
def test_any_other_text_is_refused(text: str) -> None:
    with pytest.raises(SheetError):
        layout_from_code(text)


def test_a_misread_figure_is_noticed() -> None:
    code = plan_to_code(standard_plan(paper_of("A4")))
    words = code.split()
    words[9] = str(int(words[9]) - 1)
    with pytest.raises(SheetError, match="damaged or from another version"):
        layout_from_code(" ".join(words))


def test_an_id_changes_with_anything_on_the_sheet_and_with_nothing_else() -> None:
    layout = layout_of(standard_plan(paper_of("A4")))
    turned = dict(reversed(list(layout.items())))
    assert chart_id(turned) == chart_id({"id": "X", **layout}) == chart_id(layout)
    moved = copy.deepcopy(layout)
    moved["stars"][0]["centre_mm"][0] += 0.01
    assert chart_id(moved) != chart_id(layout)


def test_the_same_chart_is_the_same_file_and_another_is_not() -> None:
    plan = standard_plan(paper_of("A4"))
    first = chart_pdf(plan)
    assert chart_pdf(plan) == first
    assert chart_pdf(dataclasses.replace(plan, spokes=68)) != first


def test_parts_that_do_not_fit_are_named() -> None:
    plan = standard_plan(paper_of("A4"))
    with pytest.raises(SheetError, match="star S0 and the square E0 stand too close"):
        layout_of(dataclasses.replace(plan, radius_mm=70.0))
    with pytest.raises(SheetError, match="The paper leaves"):
        layout_of(dataclasses.replace(plan, field_width_mm=290.0))


def test_an_outline_encloses_exactly_the_dark_modules() -> None:
    # Shoelace areas, holes negative, sum to the count of dark modules; every side runs along the grid.
    for number in range(50):
        modules = marker_modules(number)
        area = 0.0
        for loop in outline(modules):
            pairs = list(zip(loop, loop[1:] + loop[:1], strict=True))
            assert all(a[0] == b[0] or a[1] == b[1] for a, b in pairs)
            area += sum(a[0] * b[1] - a[1] * b[0] for a, b in pairs) / 2
        assert area == sum(map(sum, modules))


def test_every_marker_is_that_of_the_open_dictionary() -> None:
    # OpenCV draws the same dictionary by its own table.
    cv2 = pytest.importorskip("cv2")
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for number in range(50):
        drawn = cv2.aruco.generateImageMarker(dictionary, number, 6) < 128
        assert drawn.tolist() == marker_modules(number)


def test_the_stair_of_greys_ends_at_the_contrast() -> None:
    # A light of (1 − 0.8)/(1 + 0.8) = 1/9 is 0.369 of the sRGB signal (IEC 61966-2-1), code 94.
    stair = grey_stair(0.8)
    codes, darkness = [code for code, _ in stair], [share for _, share in stair]
    assert codes == sorted(codes, reverse=True)
    assert codes[-1] == 94
    assert darkness == sorted(darkness)
    assert 0 < darkness[0] < 0.05
    assert 0.95 < darkness[-1] < 1
