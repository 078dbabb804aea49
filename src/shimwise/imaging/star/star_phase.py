"""A star's centre from the phase of its cells, then its signed modulation in phase with it.

A centre off by d turns the phase of the cell at (r, θ) by n·(d·t)/r, t the tangent; a stretch of the picture
turns it by n·(e1·sin 2θ + e2·cos 2θ). The centre may move linearly with the swept coordinate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray, IntArray
from shimwise.imaging.star.cells import Cells
from shimwise.imaging.star.rings import SECTOR_ANGLES_RAD, STRETCHES, TANGENTS, RingPlan

SHARP_SHARE, MAX_SHARP = 0.5, 7
"""Sharp frames have at least this share of the sharpest's power, and are at most so many; chosen."""
SEARCH_ROUNDS, COARSE_STEP, FINER = 3, 0.25, 4
"""The search's grid has a quarter of the narrowest spoke; each round is four times finer; chosen."""
FIT_ROUNDS = 4
RIDGE = 1e-12
"""Share of the trace added to the normal equations' diagonal, so that no fit of empty cells is singular."""
FRAME_RIDGE = 1e-9
"""The same for the centre of one frame, as a share of the largest trace: its variance becomes large."""
TINY = 1e-30
"""Keeps a share of nothing from dividing by zero."""


@dataclass(frozen=True, slots=True)
class Lock:
    """A star's phase, and its centre relative to the assumed one.

    Attributes
    ----------
    phase_rad : float
        Phase of the spokes, n·θ of a bright spoke.
    offset_mm, drift_mm : ndarray
        Centre less the assumed centre at coordinate 0 [mm on the sheet], and its change over one unit of the
        normalised coordinate.
    stretch : ndarray
        Coefficients of sin 2θ and cos 2θ (radians of θ).
    wander_mm : ndarray
        Each frame's own offset from the track [mm], (frames, 2); zero where none is significant.
    sd_mm : float
        Standard deviation of the offset in either direction.
    coherence : float
        Share of the modulation's size in phase in the sharp frames; 1 if every cell has the expected phase.
    """

    phase_rad: float
    offset_mm: FloatArray
    drift_mm: FloatArray
    stretch: FloatArray
    wander_mm: FloatArray
    sd_mm: float
    coherence: float

    @classmethod
    def at_rest(cls, frames: int) -> Lock:
        """Return a lock that moves nothing in any of some frames."""
        zero = np.zeros(2)
        return cls(0.0, zero, zero, zero, np.zeros((frames, 2)), 0.0, 0.0)

    def phase(self, coordinate: FloatArray, plan: RingPlan) -> FloatArray:
        """Compute the expected phase of every cell, (frames, rings, 16), rad."""
        centre = self.offset_mm + coordinate[:, None] * self.drift_mm + self.wander_mm
        turn = plan.spokes * (self.stretch @ STRETCHES)
        return np.asarray(self.phase_rad + _shift(centre, plan) + turn, dtype=np.float64)


def sharp_frames(cells: Cells) -> IntArray:
    """Return the frames in which the star is sharpest, at most seven, in order of the sweep."""
    power = cells.power()
    order = np.argsort(-power)[:MAX_SHARP]
    return np.sort(order[power[order] >= SHARP_SHARE * power.max()])


def find_centre(
    cells: Cells, frame: int, plan: RingPlan, *, reach_spokes: float = 1.6
) -> tuple[FloatArray, float]:
    """Search a star's centre around the assumed one, so that the fit cannot lock one spoke away.

    The cells of every ring are added with the phase that a trial centre gives. A shift by one spoke gives a
    ring of one radius the same phases again, but not the others: only at the true centre do all rings agree.

    Returns
    -------
    ndarray, float
        Centre less the assumed centre [mm on the sheet], and the share of the modulation's size that agrees.
    """
    z, pixels = cells.modulation[frame], cells.pixels[frame]
    spoke_mm = 2.0 * np.pi * plan.radii_mm / plan.spokes
    reach, step = reach_spokes * float(np.median(spoke_mm)), COARSE_STEP * float(spoke_mm.min())
    weighted = pixels * z
    best, centre = -1.0, np.zeros(2)
    for _ in range(SEARCH_ROUNDS):
        grid = np.arange(-reach, reach + step / 2, step)
        trial = centre + np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
        sums = np.abs(np.einsum("djq,jq->d", np.exp(-1j * _shift(trial, plan)), weighted))
        centre, best = trial[int(np.argmax(sums))], float(sums.max())
        reach, step = step, step / FINER
    return centre, best / float(np.sum(np.abs(weighted)) + TINY)


def fit_lock(
    cells: Cells, coordinate: FloatArray, plan: RingPlan, start: Lock, *, drift: bool, all_frames: bool
) -> Lock:
    """Fit phase, centre, drift and stretch to the cells' phases by weighted least squares.

    Parameters
    ----------
    cells : Cells
        The star's cells over frames.
    coordinate : ndarray
        Swept coordinate of every frame, scaled to about ±1.
    plan : RingPlan
        The rings.
    start : Lock
        First guess; phases must lie within half a turn of it in the sharp frames.
    drift : bool
        Whether the centre may move with the coordinate.
    all_frames : bool
        Use every frame (reversed rings by their sign) instead of the sharp ones only.
    """
    use = np.arange(coordinate.size) if all_frames else sharp_frames(cells)
    z, n = cells.modulation[use], cells.pixels[use]
    lock = replace(start, wander_mm=np.zeros((coordinate.size, 2)))
    design = _design(coordinate[use], plan, drift)
    for _ in range(FIT_ROUNDS):
        turned = z * np.exp(-1j * lock.phase(coordinate, plan)[use])
        sign = np.sign(np.sum(n * turned.real, axis=2, keepdims=True)) if all_frames else 1.0
        turned = turned * sign
        # The imaginary part is size times phase error. The size is the ring's mean, not the cell's: weighted
        # by its own noisy size a cell would pull the fit towards its own error.
        size = np.maximum(_ring_size(turned, n), 0.0) * np.ones_like(turned.real)
        rows = design * (np.sqrt(n) * size)[..., None]
        target = np.sqrt(n) * turned.imag
        flat = rows.reshape(-1, rows.shape[-1])
        if not flat.any():  # no ring agrees with the phase: another star, or none
            return replace(lock, coherence=0.0, sd_mm=float("inf"))
        gram = flat.T @ flat + RIDGE * np.eye(rows.shape[-1]) * np.trace(flat.T @ flat)
        change = np.linalg.solve(gram, flat.T @ target.ravel())
        lock = _moved(lock, change, drift)
    rest = target.ravel() - flat @ change
    freedom = max(int(np.count_nonzero(n)) - change.size, 1)
    cov = np.linalg.inv(gram) * float(rest @ rest) / freedom
    agreed = float(np.sum(n * turned.real) / max(np.sum(n * np.abs(turned)), TINY))
    return replace(lock, sd_mm=float(np.sqrt((cov[1, 1] + cov[2, 2]) / 2)), coherence=agreed)


def centre_by_frame(
    cells: Cells, coordinate: FloatArray, plan: RingPlan, lock: Lock
) -> tuple[FloatArray, FloatArray]:
    """Return each frame's centre less the track [mm], (frames, 2), and its variance [mm²], (frames,)."""
    turned = cells.modulation * np.exp(-1j * lock.phase(coordinate, plan))
    n = cells.pixels
    size = _ring_size(turned, n)
    slope = _shift(np.eye(2), plan)
    gram = np.einsum("fjq,ajq,bjq->fab", n * size**2, slope, slope)
    right = np.einsum("fjq,ajq->fa", n * size * turned.imag, slope)
    gram += FRAME_RIDGE * np.eye(2) * np.trace(gram, axis1=1, axis2=2).max()
    offset = np.linalg.solve(gram, right[..., None])[..., 0]
    # A cell's b and c have the variance 2·noise²/pixels; the mean of both axes is half the trace.
    variance = cells.noise**2 * np.trace(np.linalg.inv(gram), axis1=1, axis2=2)
    return offset, variance


def locked_modulation(cells: Cells, coordinate: FloatArray, plan: RingPlan, lock: Lock) -> FloatArray:
    """Return the part of every cell's modulation in phase with the lock, signed, (frames, rings, 16)."""
    turned: NDArray[np.complex128] = cells.modulation * np.exp(-1j * lock.phase(coordinate, plan))
    return turned.real


def _moved(lock: Lock, change: FloatArray, drift: bool) -> Lock:
    return replace(
        lock,
        phase_rad=lock.phase_rad + float(change[0]),
        offset_mm=lock.offset_mm + change[1:3],
        stretch=lock.stretch + change[3:5],
        drift_mm=lock.drift_mm + (change[5:7] if drift else 0.0),
    )


def _design(coordinate: FloatArray, plan: RingPlan, drift: bool) -> FloatArray:
    """Return the slope of the phase by each unknown, (frames, rings, 16, unknowns)."""
    shape = (coordinate.size, plan.count, SECTOR_ANGLES_RAD.size)
    slope = _shift(np.eye(2), plan)
    columns = [np.ones(shape)]
    columns += [np.broadcast_to(slope[axis], shape) for axis in (0, 1)]
    columns += [np.broadcast_to(plan.spokes * s, shape) for s in STRETCHES]
    if drift:
        columns += [coordinate[:, None, None] * slope[axis] for axis in (0, 1)]
    return np.stack(columns, axis=-1)


def _shift(centre_mm: FloatArray, plan: RingPlan) -> FloatArray:
    """Return the phase by which centres (n, 2) [mm] turn each cell, (n, rings, 16), rad."""
    along = (centre_mm @ TANGENTS)[:, None, :]
    return np.asarray(plan.spokes * along / plan.radii_mm[:, None], dtype=np.float64)


def _ring_size(turned: NDArray[np.complex128], pixels: FloatArray) -> FloatArray:
    """Return each ring's mean modulation in phase, (frames, rings, 1)."""
    total = np.maximum(pixels.sum(axis=2, keepdims=True), 1.0)
    return np.asarray(np.sum(pixels * turned.real, axis=2, keepdims=True) / total)
