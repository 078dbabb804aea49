"""A pass through focus calibrates every ring's best, the lens's aberration and the camera's sharpening."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from shimwise.arrays import BoolArray, FloatArray, IntArray
from shimwise.imaging.meter.crossings import MOST_N, Crossing, find_crossings, sides_of
from shimwise.imaging.meter.law_model import LawRows, MeterLaw, law_at, squares_of

ROUNDS, WEIGHT_ROUNDS = 10, 5
"""Most steps of the fit, and the first of them, in which the rings' misfit is estimated anew."""
ANCHOR_SHARE = 0.1
"""Deviation of the vertices as taken by the fit, by their own: the law alone would outvote them by what it
does not know."""
FIRST_MISFIT, MISFIT = 3e-3, 5e-4
"""Misfit of a ring at first, and the least that is allowed for, as a share of its best."""
STEPS: FloatArray = np.array([0.02, 0.02])
"""Steps of the numerical slopes: spherical aberration [waves], sharpening's share."""
PRIORS: FloatArray = np.array([0.3, 0.5])
"""Their spread among lenses and cameras; chosen."""
LOWEST: FloatArray = np.array([-1.2, -0.3])
HIGHEST: FloatArray = np.array([1.2, 1.5])
MOST_STEP = 0.2
GROUPS = 3
"""Groups of rings whose squares of defocus show how far the law holds."""
REACH_SHARE = 0.9
"""Share of the reach within which frames are used."""
_HELD = 1e-6
HELD_N2, HELD_SDS = 0.12, 1.4
"""Mean square of defocus at which a hand holds what it finds sharpest, in N² µm², and its deviation by that:
some .35·N µm to either side; common practice, no source."""
LEAST_LEFT = 0.1
"""Least share of a ring's residual variance that a frame's own square leaves; chosen."""
SHARPEST = 100
"""Of so many frames one is taken as sharpest, three at least, for the first squares; chosen."""
AMPLITUDE_SHARE = 0.01
"""Uncertainty of the law beside noise, by a ring's largest modulation; chosen."""


@dataclass(frozen=True, slots=True)
class Run:
    """Frames of a star: time [s], modulation and its variance by noise, each (frames, rings)."""

    t_s: FloatArray
    modulation: FloatArray
    variance: FloatArray

    def only(self, keep: BoolArray | IntArray) -> Run:
        """Return the run in some of its frames."""
        return Run(self.t_s[keep], self.modulation[keep], self.variance[keep])

    def with_mean_of(self, other: Run) -> Run:
        """Return the run with the mean of another's frames as its last frame."""
        count = other.t_s.size
        return Run(
            np.append(self.t_s, other.t_s[-1]),
            np.vstack([self.modulation, other.modulation.mean(axis=0)]),
            np.vstack([self.variance, other.variance.mean(axis=0) / count]),
        )


@dataclass(frozen=True)
class Calibration:
    """What passes through focus have shown.

    Attributes
    ----------
    rows : LawRows
        The law at the aberration and sharpening found.
    amplitude, misfit : ndarray
        Best modulation of each ring, and rms of what the law leaves of it, (rings,).
    w040_waves, sharpening : float
        Spherical aberration, its sign by the sides, and sharpening's share.
    crossings : tuple of Crossing
        Crossings of the run.
    square, side : ndarray
        Square of defocus [µm²] and side of the run's frames, −1 before the first crossing, (frames,).
    vertex_sd : float
        Deviation of the squares' zero by the vertices' scatter [µm²].
    rms : float
        Misfit of the rings as a share of their bests, by the weights that it leaves them.
    least : float
        Square of defocus that is left at the sharpest place, where axes differ [µm²].
    """

    rows: LawRows
    amplitude: FloatArray
    misfit: FloatArray
    w040_waves: float
    sharpening: float
    crossings: tuple[Crossing, ...]
    square: FloatArray
    side: FloatArray
    vertex_sd: float
    rms: float
    least: float = 0.0

    @property
    def ring_misfit(self) -> float:
        """Mean misfit of the rings as a share of their bests, all alike: none outvotes the others."""
        return float(np.mean(self.misfit / self.amplitude))

    def squares(self, run: Run, side: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return each frame's square of defocus [µm²] and its variance by noise, each (frames, 1 + groups).

        First by all rings, then by each of three groups of them, from coarse to fine; less what is left at
        the sharpest place.
        """
        weight = 1.0 / (run.variance + self.misfit**2)
        solved = [
            _squares(_Rings(run.modulation[:, used], weight[:, used], self.amplitude[used]), rows, side)
            for used, rows in self._parts
        ]
        square, variance = (np.stack(columns, axis=1) for columns in zip(*solved, strict=True))
        return square - self.least, variance

    @cached_property
    def _parts(self) -> list[tuple[slice, LawRows]]:
        """All rings, and each group of them, with the law at them: cut once, for every frame to come."""
        edges = np.linspace(0, self.amplitude.size, GROUPS + 1).astype(int)
        groups = [slice(int(a), int(b)) for a, b in itertools.pairwise(edges)]
        return [(slice(None), self.rows), *((used, self.rows.only(used)) for used in groups)]


@dataclass(frozen=True, slots=True)
class _Rings:
    """Modulation of rings and its weight, each (frames, rings), and their bests."""

    modulation: FloatArray
    weight: FloatArray
    amplitude: FloatArray


@dataclass(slots=True)
class _State:
    amplitude: FloatArray
    shared: FloatArray
    square: FloatArray


def first_squares(law: MeterLaw, run: Run, *, least: float = 0.0) -> FloatArray:
    """Return squares of defocus with each ring's largest modulation for that at the least of them. [µm²]"""
    rows = law.rows()
    amplitude = _first_amplitude(run, rows, least)
    weight = 1.0 / (run.variance + (AMPLITUDE_SHARE * amplitude) ** 2)
    return _squares(_Rings(run.modulation, weight, amplitude), rows, np.zeros(run.t_s.size))[0]


def rough(law: MeterLaw, sharpest: FloatArray) -> Calibration:
    """Return a calibration with the sharpest frame's modulation for each ring's best, before any pass."""
    rows, none = law.rows(), np.zeros(0)
    amplitude = np.asarray(np.maximum(sharpest, 1e-3) / rows.even[0])
    return Calibration(rows, amplitude, AMPLITUDE_SHARE * amplitude, 0.0, 0.0, (), none, none, np.inf, 0.01)


def calibrate(
    law: MeterLaw,
    run: Run,
    *,
    noise: float,
    has_sharpening: bool,
    least: float = 0.0,
    hold: Run | None = None,
) -> Calibration | None:
    """Fit every frame's square of defocus and what all share, or return None without a crossing.

    Gauss and Newton on all unknowns at once: squares of defocus (below 0 by linear extension), best
    modulations, spherical aberration and sharpening, with the vertices of the crossings drawn to 0.

    Parameters
    ----------
    law : MeterLaw
        The law at the star's rings.
    run : Run
        Frames while the picture moved through focus.
    noise : float
        Deviation of one frame's square of defocus [µm²], for the crossings.
    has_sharpening : bool
        Whether the camera sharpens: otherwise its share is held at 0.
    least : float
        Square of defocus that is left at the sharpest place [µm²]: 0 but where axes differ.
    hold : Run, optional
        Frames of rests at the sharpest place as a hand finds it: they count as one more vertex.
    """
    moved = run.t_s.size
    run = run if hold is None else run.with_mean_of(hold)
    square = first_squares(law, run, least=least)

    def vertices_of(square: FloatArray) -> list[Crossing]:
        found = find_crossings(run.t_s[:moved], square[:moved] - least, law.fnumber, noise=noise)
        if hold is None:
            return found
        own = noise / np.sqrt(hold.t_s.size)
        return [*found, _held_vertex(run, square - least, law.fnumber, noise=own)]

    crossings = vertices_of(square)
    if not any(np.isfinite(one.sd) for one in crossings[: None if hold is None else -1]):
        return None
    state = _State(_first_amplitude(run, law.rows(), least), np.zeros(2), square)
    misfit = FIRST_MISFIT * state.amplitude
    inside = square < (REACH_SHARE * law.reach_um) ** 2
    for number in range(ROUNDS):
        before = state.shared
        side = sides_of(square.size, crossings)
        state, residual, leverage = _step(
            law, run, state, side, crossings, misfit, inside, bends=0 if number < 2 else 1 + has_sharpening
        )
        if number < WEIGHT_ROUNDS:
            misfit = _misfit(run, residual, leverage, state.amplitude, inside)
        again = vertices_of(state.square)
        crossings = again if any(np.isfinite(one.sd) for one in again) else crossings
        if number >= WEIGHT_ROUNDS and np.all(np.abs(state.shared - before) < 0.1 * STEPS):
            break
    # Of few frames the fit may not settle: what it has found must show the frames' squares by itself, too.
    rows = law.rows(*(float(value) for value in state.shared))
    weighted = _Rings(run.modulation, 1.0 / (run.variance + misfit**2), state.amplitude)
    again = vertices_of(_squares(weighted, rows, side)[0])
    if not any(np.isfinite(one.sd) for one in again):
        return None
    crossings = again
    vertices = np.array([one.vertex for one in crossings])
    weight = np.array([one.sd for one in crossings], dtype=np.float64) ** -2.0
    mean = float(weight @ vertices / weight.sum())
    scatter = float(weight @ (vertices - mean) ** 2) / max(int(np.count_nonzero(weight)) - 1, 1)
    vertex_sd = float(np.sqrt(max(scatter, 1.0) / weight.sum()))
    if abs(mean) > (MOST_N * law.fnumber) ** 2 + 3.0 * vertex_sd:
        return None  # few frames of a fast passage: they do not lie on one law
    w040, sharpening = (float(value) for value in state.shared)
    return Calibration(
        rows=rows,
        amplitude=state.amplitude,
        misfit=misfit,
        w040_waves=w040,
        sharpening=sharpening,
        crossings=tuple(one for one in crossings if one.after <= moved),
        square=state.square[:moved] - least,
        side=sides_of(square.size, crossings)[:moved],
        vertex_sd=vertex_sd,
        rms=float(np.mean((state.amplitude / misfit) ** 2) ** -0.5),
        least=least,
    )


def _held_vertex(run: Run, square: FloatArray, fnumber: float, *, noise: float) -> Crossing:
    """Return the run's last frame, the mean of a rest at the sharpest place, as a vertex.

    ``noise``: deviation of its square beside the hand's. [µm²]
    """
    last = square.size - 1
    spread = HELD_N2 * fnumber**2
    vertex, sd = float(square[last]) - spread, float(np.hypot(HELD_SDS * spread, noise))
    return Crossing(last + 1, float(run.t_s[last]), vertex, sd, np.arange(last, last + 1), np.ones(1))


def _first_amplitude(run: Run, rows: LawRows, least: float) -> FloatArray:
    """Return each ring's best by the mean of the sharpest frames, whose square of defocus is the least."""
    sharpest = rows.even[min(round(least / rows.step_um2), rows.even.shape[0] - 1)]
    sharp = np.argsort(run.modulation.sum(axis=1))[-max(3, run.t_s.size // SHARPEST) :]
    return np.asarray(np.maximum(run.modulation[sharp].mean(axis=0), 1e-3) / np.maximum(sharpest, 0.1))


def _misfit(
    run: Run, residual: FloatArray, leverage: FloatArray, amplitude: FloatArray, inside: BoolArray
) -> FloatArray:
    """Return the rms of each ring's residuals beyond noise, before each frame's own square took its share.

    A ring that decides the squares alone leaves no residual, however wrong it is.
    """
    left = np.maximum(1.0 - np.mean(leverage[inside], axis=0), LEAST_LEFT)
    excess = np.mean(residual[inside] ** 2, axis=0) / left - np.mean(run.variance[inside], axis=0)
    return np.asarray(np.sqrt(np.maximum(excess, 0.0) + (MISFIT * amplitude) ** 2))


def _squares(rings: _Rings, rows: LawRows, side: FloatArray) -> tuple[FloatArray, FloatArray]:
    square, information = squares_of(
        np.ascontiguousarray(rings.modulation),
        np.ascontiguousarray(rings.weight),
        rings.amplitude,
        rows.even,
        rows.odd,
        rows.step_um2,
        side,
    )
    return square, 1.0 / np.maximum(information, 1e-300)


def _step(
    law: MeterLaw,
    run: Run,
    state: _State,
    side: FloatArray,
    crossings: list[Crossing],
    misfit: FloatArray,
    inside: BoolArray,
    *,
    bends: int,
) -> tuple[_State, FloatArray, FloatArray]:
    """Return the state after one step; before it the residuals and the rings' leverage, each (frames, rings).

    The frames' own unknowns are eliminated: their block is diagonal.
    """

    def read(shared: FloatArray) -> tuple[FloatArray, FloatArray]:
        rows = law.rows(*(float(one) for one in shared))
        out: tuple[FloatArray, FloatArray] = law_at(rows.even, rows.odd, rows.step_um2, state.square, side)
        return out

    rings, amplitude = state.amplitude.size, state.amplitude
    value, slope = read(state.shared)
    bent = [(read(state.shared + step)[0] - value) / step.sum() for step in np.diag(STEPS)[:bends]]
    weight = inside[:, None] / (run.variance + misfit**2)
    residual = run.modulation - amplitude * value
    g = amplitude * slope
    # Columns of the shared unknowns, (frames, rings, rings + 2): a ring's best touches that ring alone.
    count = rings + bends
    design = np.zeros((*value.shape, count))
    design[:, np.arange(rings), np.arange(rings)] = value
    for k, bend in enumerate(bent):
        design[:, :, rings + k] = amplitude * bend
    own = np.sum(weight * g * g, axis=1)
    leverage = weight * g * g / np.maximum(own, 1e-300)[:, None]
    own += 1e-9 * own.max()
    cross = np.einsum("kj,kjs->ks", weight * g, design)
    normal = np.einsum("kjs,kjt->st", weight[..., None] * design, design, optimize=True)
    pull_own = np.sum(weight * g * residual, axis=1)
    pull = np.einsum("kjs,kj->s", design, weight * residual)
    into, own_change = cross / own[:, None], pull_own / own
    normal -= cross.T @ into
    pull -= into.T @ pull_own
    # What all share must bring the vertices to 0: the frames' own squares follow it, and do not bend to it.
    for one in crossings:
        if not np.isfinite(one.sd):
            continue
        by_shared = one.slope @ into[one.frames]
        weight_here = (ANCHOR_SHARE * one.sd) ** -2.0
        normal += weight_here * np.outer(by_shared, by_shared)
        pull += weight_here * by_shared * (one.vertex + one.slope @ own_change[one.frames])
    shared = np.arange(rings, count)
    normal[shared, shared] += 1.0 / PRIORS[:bends] ** 2
    pull[rings:] -= state.shared[:bends] / PRIORS[:bends] ** 2
    normal[np.diag_indices(count)] *= 1.0 + _HELD
    change = np.linalg.solve(normal, pull)
    square_change = own_change - into @ change
    most = 0.3 * np.abs(state.square) + 8.0 * law.fnumber**2
    moved = np.zeros(2)
    moved[:bends] = np.clip(change[rings:], -MOST_STEP, MOST_STEP)
    return (
        _State(
            amplitude * np.exp(np.clip(change[:rings] / amplitude, -MOST_STEP, MOST_STEP)),
            np.clip(state.shared + moved, LOWEST, HIGHEST),
            np.clip(
                state.square + np.clip(square_change, -most, most),
                -20.0 * law.fnumber**2,
                law.reach_um**2,
            ),
        ),
        residual,
        leverage,
    )
