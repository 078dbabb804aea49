"""The through-focus fit against curves from an independent transfer, and a control that must fail."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from exact_law import exact_otf
from numpy.typing import NDArray
from one_star import fit_peak
from scipy.interpolate import CubicSpline
from scipy.special import jv

from shimwise.errors import ImagingError
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.focus.peak import fit_shift
from shimwise.imaging.star.response import ring_response
from shimwise.imaging.star.ring_data import RingData
from shimwise.imaging.star.rings import plan_rings
from shimwise.optics.blur import otf_defocus

pytestmark = pytest.mark.slow  # fits many sweeps

FREQUENCY = np.linspace(18.0, 80.0, 8)
PIXELS = np.linspace(4000.0, 400.0, 8)
FloatArray = NDArray[np.float64]


def ring_data(
    rng: np.random.Generator,
    *,
    best: float = 3.0,
    fnumber: float = 2.8,
    w040: float = 0.0,
    jitter: float = 0.0,
    noise: float = 0.02,
    frames: int = 17,
    step: float = 10.0,
) -> RingData:
    recorded = step * (np.arange(frames) - frames // 2) + rng.uniform(-0.5, 0.5) * step
    true = recorded + jitter * rng.standard_normal(frames)
    if jitter:
        # The paraxial law, which is not the estimator's: what a wrong law does is in what is asked of it.
        transfer = otf_defocus(
            fnumber=fnumber, frequency_cy_mm=FREQUENCY[None, :], defocus_um=(true - best)[:, None]
        )
    else:
        transfer = exact_otf(FREQUENCY, true - best, fnumber=fnumber, w040=w040)
    clean = 0.8 * np.sinc(FREQUENCY * 5e-3) * transfer
    noisy = clean + noise * np.sqrt(2.0 / PIXELS) * rng.standard_normal(clean.shape)
    return RingData(recorded, FREQUENCY, noisy, np.broadcast_to(PIXELS, clean.shape).copy())


@pytest.mark.parametrize("nominal", [2.3, 2.8, 3.3])
def test_peak_and_focal_ratio_come_back_whatever_ratio_is_engraved(nominal: float) -> None:
    fit = fit_peak(ring_data(np.random.default_rng(1), noise=0.0), fnumber=nominal)
    assert fit.best_um == pytest.approx(3.0, abs=2e-3)
    assert fit.fnumber == pytest.approx(2.8, rel=1e-3)
    assert fit.w040_waves == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize("w040", [-0.5, 0.3, 0.5])
def test_aberration_comes_back_with_its_sign_and_the_bands_peak(w040: float) -> None:
    fit = fit_peak(ring_data(np.random.default_rng(2), w040=w040, noise=0.01), fnumber=2.8)
    assert fit.w040_waves == pytest.approx(w040, abs=0.01)
    place = np.linspace(-30.0, 30.0, 6001)
    mean = exact_otf(np.linspace(20.0, 62.0, 15), place[::20], fnumber=2.8, w040=w040).mean(axis=1)
    peak = place[int(np.argmax(CubicSpline(place[::20], mean)(place)))]
    assert fit.best_um == pytest.approx(3.0 + peak, abs=0.05)
    assert fit.bands_apart_um * w040 > 0


def test_intervals_hold_with_position_errors_and_independent_bars_do_not() -> None:
    rng = np.random.default_rng(3)
    held, naive = [], []
    for _ in range(60):
        fit = fit_peak(ring_data(rng, jitter=0.5), fnumber=2.8)
        held.append(fit.low_um < 3.0 < fit.high_um)
        rest, slope = fit.star.offsets.rest, fit.star.linear.by_best
        spread = np.sqrt(np.sum(rest**2) / (rest.size - fit.star.offsets.used))
        naive.append(abs(fit.best_um - 3.0) < 1.96 * spread / np.linalg.norm(slope))
    assert np.mean(held) >= 0.88
    # Negative control: taking the rings of a frame as independent must be seen to fail.
    assert np.mean(naive) < 0.75


def test_position_errors_leave_little_more_than_the_mean_of_the_frames() -> None:
    rng = np.random.default_rng(4)
    fits = [fit_peak(ring_data(rng, jitter=0.5), fnumber=2.8) for _ in range(60)]
    rms = np.sqrt(np.mean([(fit.best_um - 3.0) ** 2 for fit in fits]))
    assert rms < 1.3 * 0.5 / np.sqrt(17)
    assert np.mean([fit.position_sd_um for fit in fits]) == pytest.approx(0.5, rel=0.15)


def test_some_sectors_of_a_star_are_fitted_with_its_optics() -> None:
    whole = ring_data(np.random.default_rng(5), noise=0.0)
    shifted = ring_data(np.random.default_rng(5), best=4.2, noise=0.0)
    fit = fit_peak(whole, fnumber=2.8)
    assert fit_shift(shifted, fit) == pytest.approx(4.2, abs=5e-3)


def test_a_picture_that_grows_by_a_tenth_through_the_sweep_leaves_the_peak() -> None:
    # As a sweep of the chart's distance does: rings fixed on the sheet, their frequency at the sensor not.
    position = 10.0 * (np.arange(17) - 8.0)
    share = 0.05 * position / 80.0
    modulation = np.stack(
        [
            0.8 * exact_otf(FREQUENCY * (1 + d), np.array([z - 3.0]), fnumber=2.0)[0]
            for z, d in zip(position, share, strict=True)
        ]
    )
    pixels = np.broadcast_to(PIXELS, modulation.shape).copy()
    detuning = np.repeat(share[:, None], FREQUENCY.size, axis=1)
    data = RingData(position, FREQUENCY, modulation, pixels, detuning=detuning)
    assert fit_peak(data, fnumber=2.0).best_um == pytest.approx(3.0, abs=5e-3)
    # Control: the same rings with the growth left out.
    assert abs(fit_peak(replace(data, detuning=None), fnumber=2.0).best_um - 3.0) > 0.1


def test_too_few_frames_and_no_modulation_are_refused() -> None:
    data = ring_data(np.random.default_rng(6), frames=4)
    with pytest.raises(ImagingError, match="4 frames: record at least 7"):
        fit_peak(data, fnumber=2.8)
    blank = RingData(np.arange(9.0), FREQUENCY, np.zeros((9, 8)), np.ones((9, 8)))
    with pytest.raises(ImagingError, match="No modulation is left"):
        fit_peak(blank, fnumber=2.8)


def test_a_rings_mean_over_frequencies_holds_the_pixel_beside_the_blur() -> None:
    """Rings by the whole integral n ∫ J_n(2πρr)/ρ · OTF · pixel dρ (NIST DLMF 10.22.43), not cut short."""
    star = Star(id="S", centre_mm=(0.0, 0.0), radius_mm=20.0, spokes=40)
    plan = plan_rings(star, px_per_mm=4.0, pitch_um=5.0, blur_px=5.0)
    position, per_mm = np.arange(-60.0, 61.0, 10.0), np.arange(0.4, 649.0, 0.4)
    turn = (np.arange(45) + 0.5) * np.pi / 90.0
    pixel = np.mean(
        np.sinc(5e-3 * per_mm[:, None] * np.cos(turn)) * np.sinc(5e-3 * per_mm[:, None] * np.sin(turn)),
        axis=1,
    )
    transfer = pixel * exact_otf(per_mm, position - 9.0, fnumber=2.8)
    edge_mm = plan.magnification * star.spokes / (2 * np.pi * plan.edges_cy_mm)
    x, w = np.polynomial.legendre.leggauss(8)
    rings = []
    for outer, inner in pairwise(edge_mm):
        radius = inner + (outer - inner) * (x + 1) / 2
        wave = jv(star.spokes, 2 * np.pi * per_mm[:, None] * radius) @ (w * radius / np.sum(w * radius))
        rings.append(transfer @ (star.spokes * wave / per_mm) * 0.4)
    modulation = 0.8 * np.array(rings).T
    response = ring_response(plan, blur_um=70.0 / 5.6)
    data = RingData(position, plan.frequency_cy_mm, modulation, np.ones_like(modulation), response=response)
    fit = fit_peak(replace(data, pitch_um=5.0), fnumber=2.8)
    assert np.abs(modulation - fit.model).max() < 5e-5
    assert fit.best_um == pytest.approx(9.0, abs=2e-3)
    without = fit_peak(data, fnumber=2.8)
    assert without.misfit > 3.0 * fit.misfit
    # What is even in defocus is free in every ring: it moves no peak.
    assert without.best_um == pytest.approx(9.0, abs=2e-3)
