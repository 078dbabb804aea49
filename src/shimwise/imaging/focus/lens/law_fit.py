"""A first fit by the lens's law alone: where the peak is, the focal ratio and the spherical aberration."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.lens.law import MAX_WAVES, LawTable, law_table
from shimwise.imaging.focus.lens.template import StarTemplate
from shimwise.optics.blur import GREEN_UM

MAX_LOG_N = 0.34
W040_STARTS = (0.0, -0.4, 0.4)
W040_PRIOR = 1.0
"""Spread of spherical aberration among lenses, waves: keeps a misfit from being read as several waves."""

REACH_SHARE = 1.35
STRAIGHT, BENT = np.array([1]), np.array([1, 3, 5])
"""Powers of the transfer with amplitudes; with the cube alone, sharpening that clips looked like a slip."""
NEAR_LOG_N = 0.1
"""Change of ln N within which a scaled table holds; chosen."""
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-2, 1e-9, 1e5
"""Of Levenberg-Marquardt, as a share of the normal matrix's diagonal; at the most the search ends. Chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What is known of the lens before the fit: nominal focal ratio, wavelengths [µm], the named band."""

    fnumber: float
    band_cy_mm: tuple[float, float]
    wavelengths_um: tuple[float, ...] = (GREEN_UM,)


class LensState(NamedTuple):
    """Band's peak [µm], ln(N/nominal), W040 [waves]."""

    best_um: float
    log_n: float
    w040: float


@dataclass(frozen=True, slots=True)
class LawFit:
    """The best state of the law, its cost, and its residuals in units of modulation (frames, rings)."""

    state: LensState
    cost: float
    residual: FloatArray
    amplitude: FloatArray


def table_of(rings: StarRings, lens: Lens) -> LawTable:
    """Return the law's table for a star, shared by stars of the same sweep."""
    span = float(np.ptp(rings.position_um))
    reach = REACH_SHARE * span + 2.0 * lens.fnumber**2
    low = min(float(rings.nodes.nodes_cy_mm.min()), lens.band_cy_mm[0])
    high = max(float(rings.nodes.nodes_cy_mm.max()), lens.band_cy_mm[1])
    # Rounded outwards, so that stars of one sweep find the same table.
    low = 4.0 * np.floor((0.92 - rings.most_growth) * low / 4.0)
    high = 10.0 * np.ceil((1.08 + rings.most_growth) * high / 10.0)
    return law_table(
        fnumber=lens.fnumber,
        reach_um=float(10.0 * np.ceil(reach / 10.0)),
        low_cy_mm=float(low),
        high_cy_mm=float(high),
        wavelengths_um=lens.wavelengths_um,
    )


def template_of(rings: StarRings, lens: Lens, log_n: float = 0.0) -> StarTemplate:
    """Return the star's template at a focal ratio of exp(log_n) times the nominal one.

    Beyond 10 % the table is computed anew there: scaled tables hold near their own focal ratio only.
    """
    near = round(log_n / NEAR_LOG_N) * NEAR_LOG_N
    moved = Lens(
        fnumber=lens.fnumber * float(np.exp(near)),
        band_cy_mm=lens.band_cy_mm,
        wavelengths_um=lens.wavelengths_um,
    )
    table = table_of(rings, moved)
    return StarTemplate(table, rings.nodes, lens.band_cy_mm, log_n - near, rings.most_growth)


def fit_law(
    rings: StarRings, lens: Lens, *, frame_weight: FloatArray | None = None, near: LensState | None = None
) -> LawFit:
    """Fit peak, focal ratio and aberration with the amplitude of every ring free.

    From three starts, or from the lens's state of another star of the sweep, ``near``.
    """
    weight = rings.pixels if frame_weight is None else rings.pixels * frame_weight[:, None]
    coarse = coarse_peak_um(rings, weight)
    if near is None:
        problem = LawProblem(rings, weight, template_of(rings, lens), 0.0)
        fits = [problem.searched(LensState(coarse, 0.0, w), 6) for w in W040_STARTS]
        state, cost = min(fits, key=lambda found: found[1])
    else:
        state = near._replace(best_um=coarse)
    for _ in range(3):
        problem = LawProblem(rings, weight, template_of(rings, lens, state.log_n), state.log_n)
        before = state
        state, cost = problem.searched(state, 12)
        if abs(state.log_n - before.log_n) < 3e-3:
            break
    _, residual, _, amplitude = problem.projected(state)
    root = np.sqrt(np.maximum(weight, 1e-30))
    return LawFit(state, cost, residual.reshape(root.shape) / root, amplitude)


def coarse_peak_um(rings: StarRings, weight: FloatArray) -> float:
    """Return the position of the largest mean modulation, by a parabola through three frames. [µm]"""
    mean = np.sum(weight * rings.modulation, axis=1) / np.maximum(np.sum(weight, axis=1), 1e-30)
    order = np.argsort(rings.position_um)
    z, m = rings.position_um[order], mean[order]
    k = int(np.clip(np.argmax(m), 1, z.size - 2))
    first, second = float(z[k - 1] - z[k]), float(z[k + 1] - z[k])
    if first >= 0.0 or second <= 0.0:
        return float(z[k])
    rise, fall = (m[k - 1] - m[k]) / first, (m[k + 1] - m[k]) / second
    bend = (fall - rise) / (second - first)
    slope = rise - bend * first
    shift = -slope / (2.0 * bend) if bend < 0.0 else 0.0
    return float(z[k] + np.clip(shift, first, second))


class LawProblem:
    """Residuals of the law with the amplitudes projected out (Kaufman's form).

    Where ``is_bent``, each ring has amplitudes of the transfer's third and fifth power too: sharpening that
    clips, tone curves and noise reduction bend modulation so.
    """

    def __init__(
        self,
        rings: StarRings,
        weight: FloatArray,
        template: StarTemplate,
        log_n: float,
        *,
        is_bent: bool = False,
    ) -> None:
        self.rings, self.template, self.log_n, self.is_bent = rings, template, log_n, is_bent
        self.root = np.sqrt(weight)
        self.target = self.root * rings.modulation
        self.scale = float(np.sum(self.target**2)) / max(int(np.count_nonzero(weight)), 1)

    def transfer(self, state: LensState) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Value, its slope by z and by ln N, (frames, rings): ln N to first order about the template's."""
        part = self.template.slice(state.w040)
        offset = state.log_n - self.log_n
        zeta = (self.rings.position_um - state.best_um) * np.exp(-2.0 * offset) + part.peak_um
        value, slope = part.at(zeta)
        by_nu, by_nu_slope = part.at(zeta, 1)
        growth, growth_slope = part.grown(zeta, self.rings.detuning)
        total = value + offset * by_nu + growth
        by_z = slope + offset * by_nu_slope + growth_slope
        by_n = by_nu - 2.0 * (zeta - part.peak_um)[:, None] * by_z
        return total, by_z * np.exp(-2.0 * offset), by_n

    def projected(self, state: LensState) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Return cost, weighted residuals, their projected design, and the amplitudes."""
        total, by_z, by_n = self.transfer(state)
        step = 0.02
        by_w = (self.transfer(state._replace(w040=state.w040 + step))[0] - total) / step
        powers = BENT if self.is_bent else STRAIGHT
        columns = self.root[..., None] * total[..., None] ** powers  # (frames, rings, powers)
        basis, corner = np.linalg.qr(np.moveaxis(columns, 0, 1))  # of each ring
        share = np.einsum("rfp,fr->rp", basis, self.target)
        rest = self.target - np.einsum("rfp,rp->fr", basis, share)
        corner += 1e-12 * np.eye(powers.size)  # a ring without a weight
        amplitude = np.linalg.solve(corner, share[..., None])[..., 0]
        by_transfer = np.sum(amplitude * powers * total[..., None] ** (powers - 1), axis=-1)
        slopes = by_transfer * self.root * np.stack([-by_z, by_n, by_w])
        slopes -= np.einsum("rfp,rpk->kfr", basis, np.einsum("rfp,kfr->rpk", basis, slopes))
        prior = 1e-3 * self.scale * (state.w040 / W040_PRIOR) ** 2
        return float(np.sum(rest**2)) + prior, rest.ravel(), slopes.reshape(3, -1).T, amplitude[:, 0]

    def searched(self, state: LensState, iterations: int) -> tuple[LensState, float]:
        """Levenberg-Marquardt from a start; returns the state and its cost."""
        cost, rest, design, _ = self.projected(state)
        damping = FIRST_DAMPING
        for _ in range(iterations):
            gram, right = design.T @ design, design.T @ rest
            pull = 1e-3 * self.scale / W040_PRIOR**2
            gram[2, 2] += pull
            right[2] -= pull * state.w040
            step = np.linalg.solve(gram + damping * np.diag(np.diag(gram) + 1e-30), right)
            trial = LensState(
                state.best_um + float(step[0]),
                float(np.clip(state.log_n + step[1], -MAX_LOG_N, MAX_LOG_N)),
                float(np.clip(state.w040 + step[2], -MAX_WAVES, MAX_WAVES)),
            )
            found = self.projected(trial)
            if found[0] < cost:
                done = cost - found[0] < 1e-6 * cost
                state, (cost, rest, design, _) = trial, found
                damping = max(damping * 0.2, LEAST_DAMPING)
                if done:
                    break
            else:
                damping *= 8.0
                if damping > MOST_DAMPING:
                    break
        return state, cost
