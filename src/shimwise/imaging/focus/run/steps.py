"""A frame missing or doubled: positions after it are a step behind or ahead of the frames."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.fit.star_fit import usual_step_um
from shimwise.imaging.focus.lens.law_fit import LawFit, LawProblem, Lens, template_of

SURE_GAIN, SURE_SIZES = 12.0, (0.65, 1.35)
WITHHELD_GAIN, POSSIBLE_GAIN = 5.0, -3.0
"""Gains from which the peak is withheld, and from which both readings are given: empirical. Sweeps of the
world made apart without a slip reach 3 (sharpened, clipped) and -2 (otherwise); those with one near the peak,
positions off by a tenth of a step, reach 7 and more; sharpened ones 2.
"""

FNUMBER_SPREAD = 0.03
"""Usual error of an engraved focal ratio, ln N (common practice, no source): a slip at the peak looks like
another one. The scale of a t distribution of 2 degrees of freedom: some are off by far more."""

WORTH_SHARE = 0.03
"""Scatter of the law's offsets, as a share of a step, below which no step can hide."""

ROUNDS = 5
LEAST_FRAMES = 7
"""Frames below which no step is looked for; chosen."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A step in the positions.

    Attributes
    ----------
    frame : int
        First frame after the step, counted from 0.
    size : float
        The step in units of the sweep's own: positions from there on should be larger by so many steps.
    step_um : float
        The sweep's step with its sign in the order of the frames, µm.
    gain : float
        Twice the ln of the likelihoods' ratio, with and without the step.
    is_sure : bool
        Whether it is corrected; otherwise it is only possible.
    """

    frame: int
    size: float
    step_um: float
    gain: float
    is_sure: bool

    @property
    def withholds(self) -> bool:
        """Whether the reading as recorded is too doubtful to be given alone."""
        return not self.is_sure and self.gain > WITHHELD_GAIN

    @property
    def code(self) -> str:
        """What happened: ``frame_missing`` or ``frame_doubled``."""
        return "frame_missing" if self.size > 0.0 else "frame_doubled"

    @property
    def whole_um(self) -> float:
        """The whole step that the positions lack, µm."""
        return float(np.sign(self.size)) * self.step_um


class _Trial(NamedTuple):
    deviance: float
    frame: int
    size: float


def slipped(rings: StarRings, frame: int, by_um: float) -> StarRings:
    """Return the star with the positions from a frame on moved by so much, µm."""
    later = np.arange(rings.frames) >= frame
    return rings.at(rings.position_um + by_um * later)


def find_slip(rings: StarRings, lens: Lens, law: LawFit, keep: BoolArray) -> Slip | None:
    """Refit the law with a whole step at every frame; return the best if it is sure or possible.

    A step at the peak is an even change, which the free even parts would take up: the law judges, its
    modulation bent freely, and the engraved focal ratio beside it.

    Parameters
    ----------
    rings : StarRings
        The star, frames in the order in which they were recorded.
    lens : Lens
        The lens.
    law : LawFit
        The law's fit to the positions as recorded.
    keep : ndarray of bool
        Frames that are used.
    """
    steps = np.diff(rings.position_um)
    pace = usual_step_um(rings.position_um) * float(np.sign(np.median(steps)))
    weight = rings.pixels * keep[:, None]
    if (
        pace == 0.0
        or np.count_nonzero(keep) < LEAST_FRAMES
        or _scatter_um(rings, law, weight, lens) < WORTH_SHARE * abs(pace)
    ):
        return None
    template = template_of(rings, lens, law.state.log_n)
    count = float(np.count_nonzero(keep))

    def trial(frame: int, size: float, rounds: int = ROUNDS) -> float:
        moved = slipped(rings, frame, size * pace)
        problem = LawProblem(moved, weight, template, law.state.log_n, is_bent=True)
        share = float(np.mean(np.arange(rings.frames) >= frame))
        start = law.state._replace(best_um=law.state.best_um + share * size * pace)
        state, cost = problem.searched(start, rounds)
        engraved = 3.0 * float(np.log1p((state.log_n / FNUMBER_SPREAD) ** 2 / 2.0))
        return count * float(np.log(max(cost, 1e-30))) + engraved

    used = np.flatnonzero(keep)
    best = min(_Trial(trial(int(m), s), int(m), s) for m in used[1:] for s in (1.0, -1.0))
    gain = trial(0, 0.0, 2 * ROUNDS) - min(best.deviance, trial(best.frame, best.size, 2 * ROUNDS))
    if gain < POSSIBLE_GAIN:
        return None
    sizes = best.size * np.array([0.7, 1.0, 1.3])
    size = _vertex(sizes, np.array([trial(best.frame, float(s), 2 * ROUNDS) for s in sizes]))
    is_whole = SURE_SIZES[0] < abs(size) < SURE_SIZES[1]
    if gain <= SURE_GAIN and not is_whole:
        return None
    is_sure = gain > SURE_GAIN and is_whole
    return Slip(best.frame, size, pace, gain, is_sure)


def _scatter_um(rings: StarRings, law: LawFit, weight: FloatArray, lens: Lens) -> float:
    """Root mean square of the frames' offsets from the law, each by its own slope. [µm]"""
    template = template_of(rings, lens, law.state.log_n)
    problem = LawProblem(rings, weight, template, law.state.log_n)
    slope = problem.transfer(law.state)[1] * law.amplitude
    power = np.sum(weight * slope**2, axis=1)
    offset = np.sum(weight * slope * law.residual, axis=1) / np.maximum(power, 1e-30)
    use = power > 0.1 * float(np.median(power[power > 0.0])) if np.any(power > 0.0) else power > 0.0
    return float(np.sqrt(np.mean(offset[use] ** 2))) if use.any() else 0.0


def _vertex(sizes: FloatArray, deviances: FloatArray) -> float:
    """Place of the smallest deviance of a parabola through three, held within half a step of the middle."""
    a, b, _ = np.polyfit(sizes - sizes[1], deviances, 2)
    if a <= 0.0:
        return float(sizes[int(np.argmin(deviances))])
    return float(sizes[1] + np.clip(-b / (2.0 * a), -0.5, 0.5))
