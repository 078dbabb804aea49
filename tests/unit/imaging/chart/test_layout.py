"""A chart's layout is taken as it is written, or refused with the place and the value."""

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import StarKind, layout_from_json, layout_of_star

CHART = {
    "unit": "mm",
    "stars": [
        {"id": "S0", "centre_mm": [1.0, -2.0], "radius_mm": 20.25, "spokes": 72},
        {"id": "S1", "centre_mm": [-76.0, -38.25], "radius_mm": 11.25, "spokes": 28},
    ],
    "edges": [{"id": "E0", "centre_mm": [-40.0, 0.0], "side_mm": 18.0, "angle_deg": 5.0}],
    "markers": [{"id": 3, "corners_mm": [[-5, -5], [5, -5], [5, 5], [-5, 5]]}],
    "marker_dictionary": "DICT_4X4_50",
    "contrast": 0.8,
    "star_kind": "binary",
}


def changed(path: list[str | int], value: object) -> dict[str, object]:
    chart = copy.deepcopy(CHART)
    place = chart
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    return chart


def test_a_whole_chart_is_taken_as_written() -> None:
    layout = layout_from_json(CHART)
    assert [star.spokes for star in layout.stars] == [72, 28]
    assert layout.centre_star.id == "S0"
    assert layout.star_kind is StarKind.BINARY
    assert layout.marker_corners_mm()[3][2].tolist() == [5.0, 5.0]


@pytest.mark.parametrize("edges", [[], [{"id": "E0"}], "none", 5])
def test_printed_squares_change_nothing(edges: object) -> None:
    assert layout_from_json(changed(["edges"], edges)) == layout_from_json(CHART)


def test_a_star_alone_makes_a_layout() -> None:
    layout = layout_of_star(spokes=36, radius_mm=50.0)
    assert layout.markers == ()
    assert layout.centre_star.spokes == 36


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (["unit"], "inch", "unit is 'inch'"),
        (["stars"], [], "stars is empty"),
        (["stars"], "S0", "stars is str; expected a list"),
        (["stars", 0, "spokes"], 72.5, r"stars\[0\]: spokes is 72.5; give a whole number"),
        (["stars", 0, "spokes"], 2, r"stars\[0\]: spokes is 2; give a number above 3"),
        (["stars", 1, "radius_mm"], -1.0, r"stars\[1\]: radius_mm is -1.0"),
        (["stars", 1, "radius_mm"], float("nan"), r"stars\[1\]: radius_mm is nan"),
        (["stars", 1, "id"], "S0", "star id 'S0' is used twice"),
        (["stars", 0, "centre_mm"], [1.0], r"stars\[0\]: centre_mm is \[1.0\]"),
        (["markers", 0, "corners_mm"], [[0, 0]], "four points"),
        (["markers", 0, "corners_mm"], [[-5, -5], [-5, 5], [5, 5], [5, -5]], "clockwise"),
        (["markers", 0, "id"], True, "id is True"),
        (["marker_dictionary"], "4X4", "marker_dictionary is '4X4'"),
        (["star_kind"], "round", "star_kind is 'round'"),
        (["contrast"], 1.5, "contrast is 1.5"),
    ],
)
def test_what_is_wrong_is_said_with_its_place_and_value(
    path: list[str | int], value: object, words: str
) -> None:
    with pytest.raises(ImagingError, match=words):
        layout_from_json(changed(path, value))


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.sampled_from(["stars", "id", "markers", "unit"]), inner)
        ),
        max_leaves=12,
    )
)
def test_no_json_whatever_ends_in_another_error(data: object) -> None:
    refused = pytest.raises(ImagingError, match=r"chart\.json")
    try:
        layout = layout_from_json(data)
    except ImagingError:
        with refused:
            layout_from_json(data)
    else:
        assert layout.stars
