"""Where a star's centre lies, from the phase of its cells; then its signed, phase-locked modulation.

A centre off by d turns the phase of the cell at (r, θ) by n·(d·t)/r, t the tangent; a stretch of the picture
turns it by n·(e1·sin 2θ + e2·cos 2θ). The centre may run linearly with the swept coordinate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.star.cells import Cells
from shimwise.imaging.star.rings import SECTOR_ANGLES_RAD, RingPlan

__all__ = ["Lock", "find_centre", "fit_lock", "locked_modulation", "sharp_frames"]

FloatArray = NDArray[np.float64]

SHARP_SHARE = 0.5
MAX_SHARP = 7


@dataclass(frozen=True, slots=True)
class Lock:
    """A star's phase and place relative to where it was assumed.

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
        What is left of the centre in each frame, (frames, 2), zero where nothing significant is left.
    sd_mm : float
        Standard deviation of the offset in either direction.
    coherence : float
        Locked share of the modulation's size in the sharp frames, 1 when every cell has the expected phase.
    """

    phase_rad: float
    offset_mm: FloatArray
    drift_mm: FloatArray
    stretch: FloatArray
    wander_mm: FloatArray
    sd_mm: float
    coherence: float

    def phase(self, coordinate: FloatArray, plan: RingPlan) -> FloatArray:
        """Expected phase of every cell, (frames, rings, 16), rad."""
        centre = self.offset_mm + coordinate[:, None] * self.drift_mm + self.wander_mm
        along = centre @ _tangents()
        shift = plan.spokes * along[:, None, :] / plan.radii_mm[:, None]
        turn = plan.spokes * (self.stretch @ _stretches())
        return self.phase_rad + shift + turn


def sharp_frames(cells: Cells) -> NDArray[np.intp]:
    """Give the frames in which the star is sharpest, at most seven, in order of the sweep."""
    power = np.sum(cells.pixels * np.abs(cells.modulation) ** 2, axis=(1, 2))
    order = np.argsort(-power)[:MAX_SHARP]
    return np.sort(order[power[order] >= SHARP_SHARE * power.max()])


def find_centre(
    cells: Cells, frame: int, plan: RingPlan, *, reach_spokes: float = 1.6
) -> tuple[FloatArray, float]:
    """Search a star's centre around the assumed one, so that the fit cannot lock one spoke away.

    The cells of every ring are added with the phase that a trial centre gives; rings of different radius
    agree only at the true centre, so a centre one spoke away is seen by its smaller sum.

    Returns
    -------
    ndarray, float
        Centre less the assumed centre [mm on the sheet], and the share of the modulation's size that agrees.
    """
    z, pixels = cells.modulation[frame], cells.pixels[frame]
    spoke_mm = 2.0 * np.pi * plan.radii_mm / plan.spokes
    reach, step = reach_spokes * float(np.median(spoke_mm)), 0.25 * float(spoke_mm.min())
    weighted = pixels * z
    best, centre = -1.0, np.zeros(2)
    for _ in range(3):
        grid = np.arange(-reach, reach + step / 2, step)
        trial = centre + np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
        along = trial @ _tangents()
        turn = np.exp(-1j * plan.spokes * along[:, None, :] / plan.radii_mm[:, None])
        sums = np.abs(np.einsum("djq,jq->d", turn, weighted))
        centre, best = trial[int(np.argmax(sums))], float(sums.max())
        reach, step = step, step / 4
    return centre, best / float(np.sum(np.abs(weighted)) + 1e-30)


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
        Where to begin; phases must lie within half a turn of it in the sharp frames.
    drift : bool
        Whether the centre may run with the coordinate.
    all_frames : bool
        Use every frame (reversed rings by their sign) instead of the sharp ones only.
    """
    use = np.arange(coordinate.size) if all_frames else sharp_frames(cells)
    z, n = cells.modulation[use], cells.pixels[use]
    lock = replace(start, wander_mm=np.zeros((coordinate.size, 2)))
    design = _design(coordinate[use], plan, drift)
    for _ in range(4):
        turned = z * np.exp(-1j * lock.phase(coordinate, plan)[use])
        sign = np.sign(np.sum(n * turned.real, axis=2, keepdims=True)) if all_frames else 1.0
        turned = turned * sign
        # The imaginary part is size × phase error; its weight is the squared ring size, free of the cell's
        # own noise.
        size = np.sum(n * turned.real, axis=2, keepdims=True) / np.maximum(n.sum(axis=2, keepdims=True), 1.0)
        size = np.maximum(size, 0.0) * np.ones_like(turned.real)
        rows = design * (np.sqrt(n) * size)[..., None]
        target = np.sqrt(n) * turned.imag
        flat = rows.reshape(-1, rows.shape[-1])
        gram = flat.T @ flat + 1e-12 * np.eye(rows.shape[-1]) * np.trace(flat.T @ flat)
        change = np.linalg.solve(gram, flat.T @ target.ravel())
        lock = _moved(lock, change, drift)
    rest = target.ravel() - flat @ change
    freedom = max(int(np.count_nonzero(n)) - change.size, 1)
    cov = np.linalg.inv(gram) * float(rest @ rest) / freedom
    agreed = float(np.sum(n * turned.real) / max(np.sum(n * np.abs(turned)), 1e-30))
    return replace(lock, sd_mm=float(np.sqrt((cov[1, 1] + cov[2, 2]) / 2)), coherence=agreed)


def centre_by_frame(
    cells: Cells, coordinate: FloatArray, plan: RingPlan, lock: Lock
) -> tuple[FloatArray, FloatArray]:
    """Centre of each frame less the lock's track [mm], (frames, 2), and its variance [mm²], (frames,)."""
    turned = cells.modulation * np.exp(-1j * lock.phase(coordinate, plan))
    n = cells.pixels
    size = np.sum(n * turned.real, axis=2, keepdims=True) / np.maximum(n.sum(axis=2, keepdims=True), 1.0)
    slope = plan.spokes * _tangents()[:, None, :] / plan.radii_mm[:, None]
    gram = np.einsum("fjq,ajq,bjq->fab", n * size**2, slope, slope)
    right = np.einsum("fjq,ajq->fa", n * size * turned.imag, slope)
    gram += 1e-9 * np.eye(2) * np.trace(gram, axis1=1, axis2=2).max()
    offset = np.linalg.solve(gram, right[..., None])[..., 0]
    variance = cells.noise**2 * 2.0 * np.trace(np.linalg.inv(gram), axis1=1, axis2=2) / 2.0
    return offset, variance


def locked_modulation(cells: Cells, coordinate: FloatArray, plan: RingPlan, lock: Lock) -> FloatArray:
    """Signed modulation of every cell, (frames, rings, 16): its part in phase with the star's lock."""
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
    """Slope of the phase by each unknown, (frames, rings, 16, unknowns)."""
    shape = (coordinate.size, plan.count, SECTOR_ANGLES_RAD.size)
    slope = plan.spokes * _tangents()[:, None, :] / plan.radii_mm[:, None]
    columns = [np.ones(shape)]
    columns += [np.broadcast_to(slope[axis], shape) for axis in (0, 1)]
    columns += [np.broadcast_to(plan.spokes * s, shape) for s in _stretches()]
    if drift:
        columns += [coordinate[:, None, None] * slope[axis] for axis in (0, 1)]
    return np.stack(columns, axis=-1)


def _tangents() -> FloatArray:
    return np.vstack([-np.sin(SECTOR_ANGLES_RAD), np.cos(SECTOR_ANGLES_RAD)])


def _stretches() -> FloatArray:
    return np.vstack([np.sin(2 * SECTOR_ANGLES_RAD), np.cos(2 * SECTOR_ANGLES_RAD)])
