"""A frame missing or doubled, in curves that the camera's sharpening has bent."""

import numpy as np
import pytest
from exact_law import exact_otf
from numpy.typing import NDArray

from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.lens.law_fit import Lens, fit_law
from shimwise.imaging.focus.peak import star_rings
from shimwise.imaging.focus.run.run_check import check_run
from shimwise.imaging.focus.run.steps import Slip, find_slip
from shimwise.imaging.star.ring_data import RingData

FloatArray = NDArray[np.float64]
FREQUENCY_CY_MM = np.linspace(18.0, 80.0, 8)
STEP_UM, BEST_UM = 8.0, 2.0


def clipped(transfer: FloatArray) -> FloatArray:
    """Return modulation that rises above 1 and is cut there, as a sharpened picture's does."""
    raised = 1.5 * transfer
    return np.asarray(raised / (1.0 + (np.abs(raised) / 1.15) ** 8) ** 0.125, dtype=np.float64)


LENS = Lens(fnumber=2.0, band_cy_mm=(20.0, 62.0))


def rings_of(true_um: FloatArray) -> StarRings:
    recorded_um = STEP_UM * (np.arange(true_um.size) - true_um.size // 2)
    noise = 1e-3 * np.random.default_rng(5).standard_normal((true_um.size, FREQUENCY_CY_MM.size))
    curves = clipped(exact_otf(FREQUENCY_CY_MM, true_um - BEST_UM, fnumber=2.0)) + noise
    return star_rings(RingData(recorded_um, FREQUENCY_CY_MM, curves, np.full(curves.shape, 1000.0)))


def slip_of(true_um: FloatArray) -> Slip | None:
    rings = rings_of(true_um)
    return find_slip(rings, LENS, fit_law(rings, LENS), np.ones(true_um.size, dtype=bool))


@pytest.mark.slow
def test_sharpening_that_clips_is_no_slip() -> None:
    assert slip_of(STEP_UM * np.arange(-7.0, 8.0)) is None


@pytest.mark.parametrize(("frame", "steps", "code"), [(6, 1.0, "frame_missing"), (10, -1.0, "frame_doubled")])
def test_a_slip_is_found_in_a_sharpened_picture(frame: int, steps: float, code: str) -> None:
    number = np.arange(-7.0, 8.0) + steps * (np.arange(15) >= frame)
    found = slip_of(STEP_UM * number)
    assert found is not None
    assert (found.frame, found.code, found.is_sure) == (frame, code, True)


@pytest.mark.slow
@pytest.mark.parametrize("may_slip", [True, False])
def test_positions_measured_from_the_pictures_have_no_slip(may_slip: bool) -> None:
    rings = rings_of(STEP_UM * (np.arange(-7.0, 8.0) + (np.arange(15) >= 6)))
    run = check_run(rings, LENS, np.zeros(15), may_slip=may_slip)
    assert (run.slip is not None) is may_slip
