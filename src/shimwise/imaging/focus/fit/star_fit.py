"""The through-focus peak of one star: even parts free, odd part shared, frames averaged by position."""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.imaging.focus.fit.even_odd import EVEN_TERMS, EvenOdd, Linear, PeakState
from shimwise.imaging.focus.fit.position_axis import (
    Variances,
    fit_variances,
    frame_variance,
    position_weight,
)
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.lens.law import MAX_WAVES
from shimwise.imaging.focus.lens.law_fit import LawFit, Lens, LensState, fit_law, template_of

ROUNDS = 12
SETTLED_UM = 2e-4
TRUST_FROM = 2
"""Round from which frames are weighed by misfit: before, the shift of a far frame explains it."""

EVEN_SPREAD = 0.5
"""Spread of the free even terms as a share of a ring's amplitude."""

W040_SPREAD = 0.5
"""Spread of spherical aberration among lenses, waves."""

MOST_W040_STEP = 0.15
LEAST_WEIGHT, MOST_WEIGHT = 0.1, 1.2
"""Bounds of a frame's weight by its position, which keep one frame from leading the fit; chosen."""
SETTLED_WAVES = 2e-3
"""Step of W040 below which the fit has settled; chosen."""
LEAST_FREEDOM = 0.2
"""Least degrees of freedom of the residuals, by their count; chosen."""


@dataclass(frozen=True, slots=True)
class Offsets:
    """A star reduced to its frames, every ring's even part fitted.

    Attributes
    ----------
    offset_um : ndarray
        How far the peak seems to lie beyond the trial one in each frame, (frames,), µm.
    by_best, by_w040 : ndarray
        Slope of ``offset_um`` by a shift of the true peak and by W040, (frames,).
    precision : ndarray
        P, (frames,).
    left_share : ndarray
        Share of each frame's own offset that the even part leaves, (frames,).
    w040_pull, w040_power : float
        Residuals across the slope along what W040 changes, and its power.
    across : ndarray
        Sum of squares of each frame's residuals across the slope, (frames,).
    used : float
        Number of coefficients that the even parts use.
    coefficients : ndarray
        (rings, terms).
    rest : ndarray
        Weighted residuals with the even parts fitted, (frames, rings).
    """

    offset_um: FloatArray
    by_best: FloatArray
    by_w040: FloatArray
    precision: FloatArray
    left_share: FloatArray
    w040_pull: float
    w040_power: float
    across: FloatArray
    used: float
    coefficients: FloatArray
    rest: FloatArray


@dataclass(frozen=True, slots=True)
class StarFit:
    """A star's fit: its state, coefficients, and the frames on the position axis."""

    rings: StarRings
    model: EvenOdd
    law: LawFit
    state: PeakState
    offsets: Offsets
    linear: Linear
    shift_um: FloatArray
    variances: Variances
    weight: FloatArray
    trust: FloatArray
    ridge: float

    @property
    def observed_um(self) -> FloatArray:
        """Offset of each frame from the peak at the recorded positions, (frames,). [µm]"""
        return self.offsets.offset_um + self.shift_um

    @property
    def mean_um(self) -> float:
        """Mean of what the frames observed, by their weights. [µm]"""
        weight = self.frame_weight
        return float(weight @ self.observed_um) / max(float(weight.sum()), 1e-30)

    @property
    def frame_weight(self) -> FloatArray:
        """Weight of each frame in the peak, (frames,), 1/µm²."""
        return mean_weight(self.offsets.precision, self.variances, self.weight, self.trust)


def mean_weight(
    precision: FloatArray, variances: Variances, weight: FloatArray, trust: FloatArray
) -> FloatArray:
    """Return each frame's weight in the mean on the position axis, (frames,), 1/µm²."""
    out = 1.0 / np.maximum(frame_variance(variances, precision * np.minimum(trust, 1.0), weight), 1e-30)
    return np.asarray(np.where(trust > 0.0, out, 0.0))


def fit_star(
    rings: StarRings,
    lens: Lens,
    *,
    law: LawFit | None = None,
    keep: BoolArray | None = None,
    near: LensState | None = None,
) -> StarFit:
    """Fit the peak of the named band to a star's rings.

    Parameters
    ----------
    rings : StarRings
        The star, at least 5 frames.
    lens : Lens
        Focal ratio, wavelengths, band.
    law : LawFit, optional
        The first fit, where it is known.
    keep : ndarray of bool, optional
        Frames that are used, (frames,); all when not given.
    near : LensState, optional
        The lens as another star of the sweep shows it, a start for the law's fit.

    Notes
    -----
    Each round: even parts of all rings by ridge regression; every frame's residual along its slope by
    position is its offset, whose weighted mean moves the peak; what is left across the slope moves W040.
    Slopes are taken at the estimated positions of the frames [1]_, so that their curvature leaves no bias.

    References
    ----------
    .. [1] M. J. Lindstrom and D. M. Bates, "Nonlinear mixed effects models for repeated measures data",
       Biometrics 46 (1990).
    """
    used = np.ones(rings.frames) if keep is None else keep.astype(np.float64)
    law = law or fit_law(rings, lens, frame_weight=used, near=near)
    model = EvenOdd(rings, template_of(rings, lens, law.state.log_n))
    state = PeakState(law.state.best_um, law.state.w040)
    coefficients = np.zeros((rings.modulation.shape[1], EVEN_TERMS))
    coefficients[:, 0] = law.amplitude
    shift, weight, trust = np.zeros(rings.frames), np.ones(rings.frames), used.copy()
    rest = model.root * law.residual
    ridge = float(np.sum(used[:, None] * rest**2)) / max(float(np.sum(used)) * rest.shape[1], 1.0)
    step_um = usual_step_um(rings.position_um)
    variances = Variances(0.0, 1.0, ridge)
    for number in range(ROUNDS):
        linear = model.linear(state, coefficients, shift)
        found = offsets_of(linear, coefficients, trust, ridge)
        observed = found.offset_um + shift
        curve = _curve_variance(found, trust, rings)
        variances = fit_variances(
            observed if number else found.offset_um,
            found.precision * np.minimum(trust, 1.0),
            curve,
            left_share=found.left_share,
            weight=np.where(trust > 0, weight, 0.0),
            step_um=step_um,
        )
        share = mean_weight(found.precision, variances, weight, trust)
        step, by_w = _newton(found, observed, share, state.w040, variances.curve)
        step = float(np.clip(step, -step_um, step_um))
        by_w = float(np.clip(by_w, -MOST_W040_STEP, MOST_W040_STEP))
        state = PeakState(state.best_um + step, float(np.clip(state.w040 + by_w, -MAX_WAVES, MAX_WAVES)))
        coefficients = found.coefficients
        mean = float(np.sum(share * observed) / max(float(np.sum(share)), 1e-30))
        left = observed - mean
        total = frame_variance(variances, found.precision, weight)
        shift = np.where(trust > 0, variances.position_um2 / weight / np.maximum(total, 1e-30) * left, 0.0)
        weight = np.clip(position_weight(left, variances, found.precision), LEAST_WEIGHT, MOST_WEIGHT)
        if number >= TRUST_FROM:
            trust = used * _trust(found, used, rings)
        ridge = float(np.sum(trust[:, None] * found.rest**2)) / max(
            float(np.sum(trust)) * found.rest.shape[1], 1.0
        )
        if number > TRUST_FROM and abs(step) < SETTLED_UM and abs(by_w) < SETTLED_WAVES:
            break
    return StarFit(rings, model, law, state, found, linear, shift, variances, weight, trust, ridge)


def usual_step_um(position_um: FloatArray) -> float:
    """Return the median step between neighbouring positions. [µm]"""
    return float(np.median(np.abs(np.diff(np.sort(position_um)))))


def offsets_of(linear: Linear, coefficients: FloatArray, trust: FloatArray, ridge: float) -> Offsets:
    """Fit every ring's even part by ridge regression and reduce the residuals to the frames.

    Parameters
    ----------
    linear : Linear
        The star linearised about a state.
    coefficients : ndarray
        Coefficients there, (rings, terms).
    trust : ndarray
        Weight of each frame in the even parts, (frames,).
    ridge : float
        Variance of a modulation on one pixel, which sets the ridge against the terms' own spread.
    """
    gram, right, prior = normal_equations(linear, coefficients, trust, ridge)
    target = np.stack([linear.rest, linear.by_best, linear.by_w040])
    inverse = np.linalg.inv(gram + prior)
    solution = np.einsum("jab,tjb->tja", inverse, right)
    left = target - np.einsum("kja,tja->tkj", linear.terms, solution)
    coefficient = coefficients + solution[0]
    leverage = trust[:, None] * np.einsum("kja,jab,kjb->kj", linear.terms, inverse, linear.terms)
    precision = np.maximum(np.sum(linear.by_best**2, axis=1), 1e-30)
    along = np.einsum("kj,tkj->tk", linear.by_best, left) / precision
    across = left - along[..., None] * linear.by_best
    bend = trust[:, None] * across[2]
    return Offsets(
        offset_um=along[0],
        by_best=along[1],
        by_w040=along[2],
        precision=precision,
        left_share=1.0 - np.sum(linear.by_best**2 * leverage, axis=1) / precision,
        w040_pull=float(np.sum(bend * across[0])),
        w040_power=float(np.sum(bend * across[2])),
        across=np.sum(across[0] ** 2, axis=1),
        used=float(np.einsum("jab,jba->", inverse, gram)),
        coefficients=coefficient,
        rest=left[0],
    )


def normal_equations(
    linear: Linear, coefficients: FloatArray, trust: FloatArray, ridge: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return normal matrix and right sides (residual, slope by peak, by W040) of every ring, and the ridge.

    The ridge holds the terms, not their change: its pull on the present coefficients is in the first
    right side.
    """
    weighted = trust[:, None, None] * linear.terms
    gram = np.einsum("kja,kjb->jab", weighted, linear.terms)
    target = np.stack([linear.rest, linear.by_best, linear.by_w040])
    right = np.einsum("kja,tkj->tja", weighted, target)
    rings, count = coefficients.shape
    amplitude = np.maximum(np.abs(coefficients[:, 0]), 1e-3)
    pull = np.broadcast_to((ridge / (EVEN_SPREAD * amplitude) ** 2)[:, None], (rings, count)).copy()
    pull[:, 0] = 1e-9 * gram[:, 0, 0] + 1e-12
    right[0] -= pull * coefficients
    prior = np.zeros_like(gram)
    prior[:, np.arange(count), np.arange(count)] = pull
    return gram, right, prior


def _newton(
    found: Offsets, observed: FloatArray, share: FloatArray, w040: float, curve: float
) -> tuple[float, float]:
    """Step of the peak and of W040 that brings the weighted mean and the pull across the slope to 0."""
    pull = found.w040_pull / max(curve, 1e-30) - w040 / W040_SPREAD**2
    power = found.w040_power / max(curve, 1e-30) + 1.0 / W040_SPREAD**2
    by_w = pull / power
    total = max(float(share @ found.by_best), 1e-30)
    return float(share @ (observed - found.by_w040 * by_w)) / total, by_w


def _curve_variance(found: Offsets, trust: FloatArray, rings: StarRings) -> float:
    """s²: mean square of the residuals across the slope."""
    values = float(np.sum((trust > 0)[:, None] & (rings.pixels > 0)))
    freedom = max(values - float(np.count_nonzero(trust)) - found.used, LEAST_FREEDOM * values)
    share = values / max(float(np.sum(trust)) * rings.pixels.shape[1], 1.0)
    return float(max(float(trust @ found.across) / freedom * share, 1e-30))


def _trust(found: Offsets, used: FloatArray, rings: StarRings) -> FloatArray:
    """Weight of each frame by its misfit across the slope, 3/(2 + ρ/median ρ), at most 1."""
    rho = found.across / np.maximum(np.count_nonzero(rings.pixels > 0, axis=1), 1)
    usual = float(np.median(rho[used > 0]))
    return np.asarray(np.minimum(3.0 / (2.0 + rho / max(usual, 1e-30)), 1.0))
