"""What is chosen for a camera, and what is said of it."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from property_cases import examples
from shimwise.errors import OpticsError, SheetError
from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import choose_plan, standard_plan
from shimwise.sheets.charts.layout import layout_of
from shimwise.sheets.charts.paper import paper_of
from shimwise.sheets.charts.plan import SpokeKind
from shimwise.sheets.charts.words import advise

CAMERAS = st.builds(
    Camera,
    focal_mm=st.floats(14, 200),
    distance_mm=st.floats(900, 6000),
    sensor_mm=st.sampled_from([(36.0, 24.0), (24.9, 14.0), (54.0, 40.0), (13.2, 8.8)]),
    pitch_um=st.floats(2, 9),
    fnumber=st.floats(1.2, 8),
)
PAPERS = st.sampled_from(["A4", "A3", "Letter", "Tabloid", "297x420", "600x400", "1500x1000", "150x150"])


@pytest.mark.slow
@settings(max_examples=examples(20), deadline=None)
@given(camera=CAMERAS, paper=PAPERS, stars=st.sampled_from([5, 9]), kind=st.sampled_from(SpokeKind))
def test_whatever_is_chosen_fits_into_paper_and_picture_or_is_refused_in_words(
    camera: Camera, paper: str, stars: int, kind: SpokeKind
) -> None:
    sheet = paper_of(paper)
    try:
        plan = choose_plan(sheet, camera, stars=stars, kind=kind)
    except SheetError as error:
        assert "No star fits" in str(error)  # noqa: PT017 (a refusal is one of two right answers)
        return
    layout = layout_of(plan)
    across, down = min(sheet.width_mm, camera.view_mm[0]) / 2, min(sheet.height_mm, camera.view_mm[1]) / 2
    for star in layout["stars"]:
        assert abs(star["centre_mm"][0]) + star["radius_mm"] <= across
        assert abs(star["centre_mm"][1]) + star["radius_mm"] <= down
        # Outermost ring, cycles/px: spokes over the rim's length in pixels.
        assert star["spokes"] / (2 * math.pi * star["radius_mm"] / camera.pixel_mm) <= 0.0801
    assert len(layout["markers"]) == 4


def test_a_usual_camera_gets_300_px_the_whole_band_and_markers_for_100_um() -> None:
    # 50 mm at 3 ft on A3; m from Newton's x x' = f²: x = D − 2f − x', by hand 0.06156.
    camera = Camera(focal_mm=50, distance_mm=914.4, sensor_mm=(36, 24), pitch_um=5, fnumber=2.8)
    plan = choose_plan(paper_of("A3"), camera, stars=9)
    gap = 914.4 - 100
    m = (gap - math.sqrt(gap**2 - 4 * 50**2)) / 2 / 50
    pixel_mm = 0.005 / m
    assert 2 * plan.radius_mm / pixel_mm >= 300
    assert 0.07 < plan.spokes / (2 * math.pi * plan.radius_mm / pixel_mm) <= 0.08
    # Blur disc 100 µm / 2.8 at the sensor is at most 0.7 of a module, a sixth of the marker.
    assert 0.7 * plan.marker_mm / 6 * m >= 100e-3 / 2.8


def test_more_blur_asks_for_larger_markers() -> None:
    def marker(fnumber: float) -> float:
        return Camera(
            focal_mm=50, distance_mm=914.4, sensor_mm=(36, 24), pitch_um=5, fnumber=fnumber
        ).marker_mm(100)

    assert marker(1.4) == pytest.approx(2 * marker(2.8))


def test_words_say_what_a_chart_does_not_suit() -> None:
    near = Camera(focal_mm=100, distance_mm=500, sensor_mm=(24.9, 14), pitch_um=3, fnumber=2.8)
    told = advise(choose_plan(paper_of("A4"), near), near)
    assert any("do not print well" in text for text in told.does_not)
    wide = Camera(focal_mm=18, distance_mm=914, sensor_mm=(36, 24), pitch_um=5, fnumber=1.4)
    told = advise(choose_plan(paper_of("A4"), wide), wide)
    assert any("corners are not seen" in text for text in told.does_not)
    assert any("Not checked" in text for text in advise(standard_plan(paper_of("A4")), None).does_not)


@pytest.mark.parametrize(
    ("changes", "error", "words"),
    [
        ({"distance_mm": 150.0}, OpticsError, "inside the near limit of 200 mm"),
        ({"distance_mm": math.inf}, SheetError, "at infinity has no size"),
        ({"pitch_um": 0.0}, SheetError, "pixel pitch is 0 µm"),
        ({"fnumber": math.nan}, SheetError, "f-number is nan"),
        ({"sensor_mm": (36.0, 2400.0)}, SheetError, "sensor's height is 2400 mm"),
    ],
)
def test_an_impossible_camera_is_refused(
    changes: dict[str, object], error: type[Exception], words: str
) -> None:
    facts = {
        "focal_mm": 50.0,
        "distance_mm": 914.4,
        "sensor_mm": (36.0, 24.0),
        "pitch_um": 5.0,
        "fnumber": 2.8,
    }
    with pytest.raises(error, match=words):
        Camera(**{**facts, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1600x900", "outside 150 to 1500 mm"),
        ("100x400", "outside 150 to 1500 mm"),
        ("A9", "is not known"),
        ("-300x200", "is not known"),
        ("", "is not known"),
    ],
)
def test_paper_that_cannot_be_is_refused(text: str, words: str) -> None:
    with pytest.raises(SheetError, match=words):
        paper_of(text)


@pytest.mark.parametrize("text", ["a4", " A4 ", "297x210", "297 × 210 mm", "297.0X210"])
def test_a_paper_is_read_by_name_or_size(text: str) -> None:
    paper = paper_of(text)
    assert (paper.width_mm, paper.height_mm) == (297, 210)


def test_stars_are_five_or_nine() -> None:
    with pytest.raises(SheetError, match="5 or 9 stars, not 7"):
        standard_plan(paper_of("A4"), stars=7)


def test_a_far_small_sheet_is_refused_with_what_the_picture_covers() -> None:
    far = Camera(focal_mm=24, distance_mm=10_000, sensor_mm=(24.9, 14), pitch_um=5.9, fnumber=2)
    with pytest.raises(SheetError, match="No star fits: at 10000 mm the picture covers"):
        choose_plan(paper_of("A4"), far)
