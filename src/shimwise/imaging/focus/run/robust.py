"""Frames that do not belong: something in the way, and a start of the run that has not settled."""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import BoolArray
from shimwise.imaging.focus.fit.position_axis import frame_variance
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.fit.star_fit import StarFit, fit_star, usual_step_um
from shimwise.imaging.focus.lens.law_fit import Lens

FAR_MEDIANS = 64.0
FAR_SHARE = 0.06
"""A frame is left out when its misfit is 64 times the median and 6 % of its own size."""

LEAST_FRAMES = 5
START_FRAMES = 4
FIRST_SD, START_SD = 5.0, 3.5
"""Standard deviations by which the first frame must be off (few frames judge it), and those after it."""

START_STEP = 0.08


@dataclass(frozen=True, slots=True)
class Unsettled:
    """How many frames at the start have not settled, and how far the first is off [µm]."""

    count: int
    offset_um: float


def obstructed_frames(fit: StarFit, keep: BoolArray) -> BoolArray:
    """Return which of the kept frames show something else than the star, (frames,) of bool."""
    values = np.maximum(np.count_nonzero(fit.rings.pixels > 0, axis=1), 1)
    across = fit.offsets.across / values
    size = np.sqrt(np.sum(fit.rings.pixels * fit.rings.modulation**2, axis=1) / values)
    usual = max(float(np.median(across[keep])), 1e-30)
    out = keep & (across > FAR_MEDIANS * usual) & (np.sqrt(across) > FAR_SHARE * size)
    if np.count_nonzero(keep & ~out) < LEAST_FRAMES:
        return np.zeros_like(keep)
    return np.asarray(out, dtype=np.bool_)


def unsettled_frames(rings: StarRings, lens: Lens, fit: StarFit, keep: BoolArray) -> Unsettled:
    """Fit without the first four frames and compare their positions with the others'.

    Backlash moves the first frames all to one side: those beyond 3.5 standard deviations and 8 % of a step,
    from the first one on and with the same sign, have not settled.
    """
    later = keep.copy()
    later[:START_FRAMES] = False
    if np.count_nonzero(later) < LEAST_FRAMES + 1 or not keep[0]:
        return Unsettled(0, 0.0)
    least = START_STEP * usual_step_um(rings.position_um)
    # Where all frames together place the first one well, only the extrapolation is off.
    if abs(float(fit.observed_um[0]) - fit.mean_um) < least:
        return Unsettled(0, 0.0)
    without = fit_star(rings, lens, keep=later)
    weight = without.frame_weight
    off = without.observed_um - without.mean_um
    variance = frame_variance(without.variances, without.offsets.precision) + 1.0 / max(
        float(weight.sum()), 1e-30
    )
    far = (
        (np.abs(off) > START_SD * np.sqrt(variance))
        & (np.abs(off) > least)
        & (np.sign(off) == np.sign(off[0]))
    )
    if abs(off[0]) < FIRST_SD * np.sqrt(variance[0]):
        return Unsettled(0, 0.0)
    count = 0
    while count < START_FRAMES and far[count] and keep[count]:
        count += 1
    return Unsettled(count, float(off[0]) if count else 0.0)
