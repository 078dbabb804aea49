"""The run as a whole, judged by its best star: frames left out, steps in the positions, its start."""

from dataclasses import dataclass, replace

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.fit.star_fit import StarFit, fit_star
from shimwise.imaging.focus.lens.law_fit import Lens, LensState
from shimwise.imaging.focus.peak import PeakFit, peak_of
from shimwise.imaging.focus.run.robust import Unsettled, obstructed_frames, unsettled_frames
from shimwise.imaging.focus.run.steps import Slip, find_slip, slipped

MOST_ROUNDS = 3
LEAST_BEFORE = 3
"""Frames before a step that show it is one."""
SHADED = 0.15
"""Unevenness of a frame's brightness over a star, ln, that shows something before the chart; chosen."""
MOST_SHADED = 0.25
"""Share of a sweep's frames that something may be in front of."""


@dataclass(frozen=True, slots=True)
class RunCheck:
    """What was found about the run.

    Attributes
    ----------
    fit : StarFit
        The star's fit with all that corrected.
    position_um : ndarray
        Positions as corrected, (frames,).
    keep : ndarray of bool
        Frames used for every star (settled ones).
    obstructed : ndarray of bool
        Frames left out since something was in front of the star.
    slip : Slip or None
        A step in the positions; corrected when it is sure.
    other : PeakFit or None
        The fit with the step corrected where the step is only possible.
    unsettled : Unsettled
        Start of the run.
    """

    fit: StarFit
    position_um: FloatArray
    keep: BoolArray
    obstructed: BoolArray
    slip: Slip | None
    other: PeakFit | None
    unsettled: Unsettled


def fit_clear(
    rings: StarRings, lens: Lens, keep: BoolArray, *, near: LensState | None = None
) -> tuple[StarFit, BoolArray]:
    """Fit a star and leave out frames with something in the way; returns the fit and the frames left out.

    ``near`` is the lens's state as another star of the sweep shows it.
    """
    fit = fit_star(rings, lens, keep=keep, near=near)
    out = np.zeros_like(keep)
    for _ in range(MOST_ROUNDS):
        more = obstructed_frames(fit, keep & ~out)
        if not more.any():
            break
        out |= more
        fit = fit_star(rings, lens, keep=keep & ~out, near=fit.law.state)
    return fit, out


def check_run(rings: StarRings, lens: Lens, shade: FloatArray, *, may_slip: bool = True) -> RunCheck:
    """Fit the best star of a sweep and judge the run by it; ``shade``: how unevenly each frame is lit, ln.

    Without ``may_slip`` no step is looked for in the positions.
    """
    shaded = shade > SHADED
    if np.count_nonzero(shaded) > MOST_SHADED * rings.frames:
        shaded = np.zeros_like(shaded)  # the light itself wanders
    keep = ~shaded
    fit, out = fit_clear(rings, lens, keep)
    slip = find_slip(rings, lens, fit.law, keep & ~out) if may_slip else None
    if slip is not None and slip.frame < LEAST_BEFORE:
        slip = replace(slip, is_sure=False)  # a start that has not settled looks the same
    if slip is not None and slip.is_sure:
        rings = slipped(rings, slip.frame, slip.whole_um)
        fit, out = fit_clear(rings, lens, keep)
    unsettled = unsettled_frames(rings, lens, fit, keep & ~out)
    if unsettled.count:
        keep[: unsettled.count] = False
        fit, out = fit_clear(rings, lens, keep)
        if may_slip and (slip is None or not slip.is_sure):
            # A start that had not settled looks like a step.
            slip = find_slip(rings, lens, fit.law, keep & ~out)
            slip = slip and replace(slip, is_sure=False)
    other = None
    if slip is not None and not slip.is_sure:
        moved = slipped(rings, slip.frame, slip.whole_um)
        other = peak_of(fit_star(moved, lens, keep=keep & ~out), lens)
    return RunCheck(fit, rings.position_um, keep, out | shaded, slip, other, unsettled)
