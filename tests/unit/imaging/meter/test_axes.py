"""Axes of a lens, and holds at the sharpest place, on rings that follow a law of their own."""

from typing import cast

import numpy as np
import pytest

from shimwise.imaging.meter.answer import figure_between_axes
from shimwise.imaging.meter.axes import Axes, axes_of
from shimwise.imaging.meter.calibration import Run, calibrate
from shimwise.imaging.meter.history import StarHistory
from shimwise.imaging.meter.law_model import LawRows, MeterLaw
from shimwise.imaging.meter.star_frame import QUARTER_SHARE, StarFrame, StarPlace

RINGS, APART_UM, NOISE = 12, 20.0, 5e-4
FINENESS = np.linspace(1.0, 5.0, RINGS) * 1e-3


class RoundLaw:
    """Rings that fall as exp(−k·z²), alike on both sides, at f/2."""

    fnumber, reach_um, rings = 2.0, 90.0, RINGS
    frequency_cy_px = np.linspace(0.1, 0.4, RINGS)

    def rows(self, w040_waves: float = 0.0, sharpening: float = 0.0) -> LawRows:
        """Return the law, which bends by neither."""
        even = np.exp(-np.multiply.outer(2.0 * np.arange(4051), FINENESS))
        return LawRows(2.0, even, np.zeros_like(even))


LAW = cast(MeterLaw, RoundLaw())


def modulation(square_um2: np.ndarray, chance: np.random.Generator, noise: float = NOISE) -> np.ndarray:
    """Modulation of each frame's rings at a square of defocus, with noise."""
    clean = 0.8 * np.exp(-np.multiply.outer(square_um2, FINENESS))
    return clean + chance.normal(0.0, noise, clean.shape)


def passes_um(rest_um: float) -> np.ndarray:
    """Three passes of a hand, and two seconds of rest at a place."""
    stops = np.interp(np.arange(0.0, 7.0, 0.04), [0.0, 2.2, 4.4, 6.6], [-45.0, 40.0, -35.0, rest_um])
    return np.concatenate([stops, np.full(50, rest_um)])


def of(square_um2: np.ndarray, chance: np.random.Generator, noise: float = NOISE) -> Run:
    """Frames at 25 a second."""
    seen = modulation(square_um2, chance, noise)
    return Run(0.04 * np.arange(square_um2.size), seen, np.full(seen.shape, noise**2))


def frame(rings: np.ndarray, quarters: np.ndarray) -> StarFrame:
    """Return a frame whose star stays where it is."""
    return StarFrame(
        place=StarPlace((200.0, 200.0), 100.0),
        modulation=rings,
        variance=np.full(RINGS, NOISE**2),
        quarters=quarters,
        coherence=1.0,
        paper=1.0,
        inside=0.0,
        profile=np.ones(24),
        clipped_share=0.0,
    )


@pytest.mark.parametrize("rest_um", [0.0, -3.0, 8.0])
def test_axes_apart_show_the_place_between_them_and_which_side_it_is_on(rest_um: float) -> None:
    chance = np.random.default_rng(4)
    z_um = passes_um(rest_um)
    even = z_um**2 + APART_UM**2 / 4.0
    shares = (-QUARTER_SHARE, 0.0, QUARTER_SHARE, 0.0)
    # A level quarter shows vertical detail: its place is deeper by half of how far the axes are apart.
    quarters = np.stack([modulation(even - share * APART_UM * z_um, chance) for share in shares], axis=1)
    run = of(even, chance)
    axes = axes_of(LAW, run, quarters, noise=0.3, has_sharpening=False)
    assert isinstance(axes, Axes)
    assert axes.difference.um == pytest.approx(APART_UM, abs=0.3)
    still = np.arange(z_um.size - 40, z_um.size)
    place, variance = axes.places(run.only(still), quarters[still])
    assert float(place[:, 0].mean()) == pytest.approx(rest_um, abs=0.15)
    figure = figure_between_axes(axes, place, variance, fnumber=2.0, sharpened=False, scale_share=0.0)
    assert figure.low <= abs(rest_um) <= figure.high
    assert rest_um or figure.high < 2.0  # by the whole star's square it is 3.3


@pytest.mark.slow
@pytest.mark.parametrize(("first", "way"), [("away", 1.0), ("toward", -1.0), (None, 1.0)])
def test_which_axis_is_deeper_follows_the_way_that_was_named_and_is_not_said_without_one(
    first: str | None, way: float
) -> None:
    chance = np.random.default_rng(7)
    z_um = way * passes_um(way * 8.0)
    even = z_um**2 + APART_UM**2 / 4.0
    shares = (-QUARTER_SHARE, 0.0, QUARTER_SHARE, 0.0)
    quarters = np.stack([modulation(even - share * APART_UM * z_um, chance) for share in shares], axis=1)
    history = StarHistory(LAW, first, has_axes=True)
    for k, (rings, of_quarters) in enumerate(zip(modulation(even, chance), quarters, strict=True)):
        history.add(0.04 * k, frame(rings, of_quarters))
        history.settle(has_sharpening=False)
    assert history.axes is not None
    if first is None:
        assert history.axes_apart is None
    else:
        assert history.axes_apart is not None
        assert history.axes_apart.um == pytest.approx(APART_UM, abs=0.5)


def test_a_hold_of_noisy_frames_is_no_surer_than_their_noise() -> None:
    chance = np.random.default_rng(5)
    z_um = passes_um(30.0)
    few = calibrate(LAW, of(z_um**2, chance), noise=4.0, has_sharpening=False, hold=of(np.zeros(16), chance))
    many = calibrate(
        LAW, of(z_um**2, chance), noise=4.0, has_sharpening=False, hold=of(np.zeros(1600), chance)
    )
    assert few is not None
    assert many is not None
    assert many.vertex_sd < 0.75 < few.vertex_sd < 1.05  # 4/√16, and a little better by the passes


@pytest.mark.slow
def test_a_hold_counts_from_when_the_hand_leaves_it_though_it_only_goes_to_rest() -> None:
    chance = np.random.default_rng(6)
    away_um = np.linspace(0.4, 3.5, 8)
    z_um = np.concatenate([passes_um(0.4), away_um, np.full(50, 3.5)])
    history = StarHistory(LAW, "away")
    made = []
    for k, rings in enumerate(modulation(z_um**2, chance)):
        history.add(0.04 * k, frame(rings, np.zeros((4, RINGS))))
        history.settle(has_sharpening=False)
        if history.has_calibrated:
            made.append(k)
    left = passes_um(0.4).size
    assert any(left <= k < left + 5 for k in made)
