"""Several stars handed over as crops: found on the sheet, each named, what the ring adds."""

import numpy as np
import pytest

from shimwise.bench.meter.live import FeedGiven
from shimwise.bench.meter.stars import LiveStars, StarCrop
from shimwise.errors import ImagingError
from shimwise.sheets.json.documents import schema_error

STARS = {"S0": (0.0, 0.0, 40.0, 60), "S1": (-90.0, -45.0, 22.0, 36), "S2": (90.0, -45.0, 22.0, 36)}
LAYOUT = {
    "unit": "mm",
    "stars": [
        {"id": name, "centre_mm": [x, y], "radius_mm": radius, "spokes": spokes}
        for name, (x, y, radius, spokes) in STARS.items()
    ],
}
SCALE, MIDDLE = 2.6, (330.0, 190.0)


def painted(*, seed: int = 0) -> np.ndarray:
    """The sheet in full-range codes of a gamma curve near Rec.709, with noise."""
    rows, columns = np.mgrid[0:380, 0:660]
    linear = np.full(rows.shape, 0.6)
    for x_mm, y_mm, radius, spokes in STARS.values():
        x, y = columns - MIDDLE[0] - SCALE * x_mm, rows - MIDDLE[1] - SCALE * y_mm
        inside = np.hypot(x, y) < SCALE * radius
        linear = np.where(inside, 0.3 + 0.28 * np.cos(spokes * np.arctan2(y, x)), linear)
    codes = 255.0 * (1.099 * linear**0.45 - 0.099)
    noise = np.random.default_rng(seed).normal(0.0, 1.0, codes.shape)
    return np.uint8(np.clip(np.rint(codes + noise), 0, 255))


@pytest.fixture
def stars() -> LiveStars:
    return LiveStars(LAYOUT, pitch_um=6.0, size_px=(660, 380), fnumber=2.0, first="away")


def test_all_stars_are_found_in_a_picture_and_in_a_small_one(stars: LiveStars) -> None:
    whole = painted()
    for codes, shrink in ((whole, 1.0), (whole[::2, ::2], 2.0)):
        spots = {one.star: one for one in stars.find(codes, shrink=shrink)}
        assert set(spots) == set(STARS)
        for name, (x_mm, y_mm, radius, _) in STARS.items():
            at = (MIDDLE[0] + SCALE * x_mm, MIDDLE[1] + SCALE * y_mm)
            assert (spots[name].x_px, spots[name].y_px) == pytest.approx(at, abs=4.0)
            assert spots[name].radius_px == pytest.approx(SCALE * radius, rel=0.15)
            assert 2.2 * SCALE * radius * 0.85 < spots[name].crop_px <= 512


@pytest.mark.slow
def test_crops_that_move_keep_their_star(stars: LiveStars) -> None:
    for k in range(3):
        left, top = 213 + 5 * k, 73 + 2 * k
        codes = painted(seed=k)[top : top + 236, left : left + 236]
        measured = stars.add(0.04 * k, [StarCrop("S0", left, top, codes)])
        (star,) = measured.stars
        assert (star.x_px, star.y_px) == pytest.approx(MIDDLE, abs=0.1)
    assert measured.document["schema"] == "shimwise.meter/2"
    assert schema_error(measured.document, "meter") == ""
    assert measured.tilt is None
    assert stars.has_star


@pytest.mark.slow
def test_whole_frames_are_cut_around_all_stars(stars: LiveStars) -> None:
    measured = stars.whole(0.0, painted())
    assert {one.star for one in measured.stars if one.x_px is not None} == set(STARS)
    assert stars.whole(0.7, None).middle.line.notes == ("frozen",)


def test_a_star_that_is_not_on_the_chart_is_refused(stars: LiveStars) -> None:
    with pytest.raises(ImagingError, match="no star 'S9'"):
        stars.add(0.0, [StarCrop("S9", 0, 0, painted())])


def test_what_the_ring_adds_needs_the_lens(tmp_path: object) -> None:
    given = FeedGiven(chart=tmp_path, pitch_um=6.0, distance_mm=914.4, focal_mm=100.0)  # type: ignore[arg-type]
    assert given.ring is not None
    assert given.ring.sd_um == pytest.approx(12.5, abs=0.8)
    with pytest.raises(ImagingError, match="needs the focal length"):
        FeedGiven(chart=tmp_path, pitch_um=6.0, distance_mm=914.4).ring  # type: ignore[arg-type] # noqa: B018
