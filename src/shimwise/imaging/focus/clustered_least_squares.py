"""Least squares over frames whose values move together, and intervals that hold with few frames.

The error of a recorded position moves all rings of its frame at once. Treating the rings as independent gives
bars that cover a third of the time instead of 95 %; here the common error is in the model, and the intervals
are clustered by frame whatever the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_RATIOS = np.concatenate([[0.0], np.logspace(-3, 4, 15)])


def clustered_sd(influence: FloatArray) -> float:
    """Root of the sum of the frames' squared influences."""
    return float(np.sqrt(np.sum(influence**2)))


def t_quantile(confidence: float, freedom: float) -> float:
    """Two-sided Student-t quantile."""
    from scipy.special import stdtrit

    return float(stdtrit(max(freedom, 1.0), 0.5 + confidence / 2.0))


@dataclass(frozen=True)
class FrameGls:
    """One linearised step of generalised least squares, noise I·s² + common² · g gᵀ in every frame.

    Attributes
    ----------
    step : ndarray
        Change of the unknowns.
    common_sd : float
        Standard deviation of the frames' common error, in the unit of the unknown that ``common`` is the
        slope of.
    noise_sd : float
        Standard deviation of the rest.
    common_error : ndarray
        The best linear prediction of every frame's common error, (frames,); drawn towards 0 as far as the
        frame cannot determine it.
    """

    step: FloatArray
    common_sd: float
    noise_sd: float
    common_error: FloatArray
    design: FloatArray
    residual: FloatArray
    inverse: FloatArray

    @classmethod
    def estimate(cls, residual: FloatArray, design: FloatArray, *, common: FloatArray) -> FrameGls:
        """Find the step, the noise and the common error's size by restricted maximum likelihood.

        Parameters
        ----------
        residual : ndarray
            Weighted residuals (frames, values).
        design : ndarray
            Their slopes by the unknowns (frames, values, unknowns).
        common : ndarray
            Slope g of the values by the frame's common error (frames, values).

        References
        ----------
        .. [1] H. D. Patterson and R. Thompson, "Recovery of inter-block information when block sizes are
           unequal", Biometrika 58 (1971): restricted maximum likelihood.
        .. [2] G. K. Robinson, "That BLUP is a good thing: the estimation of random effects", Statistical
           Science 6 (1991): the prediction of the common errors.
        """
        moments = _Moments.of(residual, design, common)
        unit = 1.0 / max(float(np.median(moments.power)), 1e-30)
        ratio = min(_RATIOS * unit, key=moments.deviance)
        if ratio > 0.0:
            ratio = min(ratio * np.logspace(-0.45, 0.45, 13), key=moments.deviance)
        step, inverse, variance, _ = moments.solve(ratio)
        x, rest = moments.whiten(design, ratio), moments.whiten(residual[..., None], ratio)[..., 0]
        rest = rest - x @ step
        error = moments.common_error(step, ratio)
        return cls(step, float(np.sqrt(ratio * variance)), float(np.sqrt(variance)), error, x, rest, inverse)

    def influence(self, gradient: FloatArray) -> tuple[FloatArray, float]:
        """How each frame's residual moves a linear function of the unknowns, and its degrees of freedom.

        Residuals are adjusted for leverage so that the sum of squares is unbiased when the noise model holds
        (Bell and McCaffrey 2002), whose Satterthwaite degrees of freedom are used.
        """
        pull = self.design @ (self.inverse @ gradient)
        adjusted = np.einsum("fvw,fw->fv", self._adjustment, pull)
        influence = np.sum(adjusted * self.residual, axis=1)
        # Residual maker applied to each frame's adjusted pull; their Gram matrix gives the moments of the
        # sum.
        across = np.einsum("fvp,fv->fp", self.design, adjusted)
        gram = np.diag(np.sum(adjusted**2, axis=1)) - across @ self.inverse @ across.T
        eigenvalues = np.linalg.eigvalsh(gram)
        freedom = float(np.sum(eigenvalues) ** 2 / max(np.sum(eigenvalues**2), 1e-300))
        return influence, min(max(freedom, 1.0), len(influence) - 1.0)

    @cached_property
    def _adjustment(self) -> FloatArray:
        """Inverse root of each frame's residual maker, (frames, values, values)."""
        hat = self.design @ self.inverse @ np.swapaxes(self.design, 1, 2)
        eigen, vectors = np.linalg.eigh(np.eye(self.design.shape[1]) - hat)
        root = np.where(eigen > 1e-6, 1.0 / np.sqrt(np.maximum(eigen, 1e-6)), 0.0)
        return np.asarray((vectors * root[:, None, :]) @ np.swapaxes(vectors, 1, 2), dtype=np.float64)


@dataclass(frozen=True)
class _Moments:
    """What the likelihood needs of the rows, so that each trial ratio costs one small inverse."""

    common: FloatArray
    power: FloatArray
    gram: FloatArray
    right: FloatArray
    square: float
    along_design: FloatArray
    along_residual: FloatArray
    rows: int

    @classmethod
    def of(cls, residual: FloatArray, design: FloatArray, common: FloatArray) -> _Moments:
        flat, target = design.reshape(-1, design.shape[-1]), residual.ravel()
        return cls(
            common=common,
            power=np.sum(common**2, axis=1),
            gram=flat.T @ flat,
            right=flat.T @ target,
            square=float(target @ target),
            along_design=np.einsum("fv,fvp->fp", common, design),
            along_residual=np.sum(common * residual, axis=1),
            rows=int(np.count_nonzero(np.any(design != 0.0, axis=2))),
        )

    def solve(self, ratio: float) -> tuple[FloatArray, FloatArray, float, float]:
        """Step, inverse, s² and log determinant with common² = ratio · s² (Sherman and Morrison)."""
        share = ratio / (1.0 + ratio * self.power)
        gram = self.gram - (self.along_design * share[:, None]).T @ self.along_design
        right = self.right - self.along_design.T @ (share * self.along_residual)
        # An unknown without any slope (held at its limit) gets no step.
        size = np.sqrt(np.maximum(np.diag(gram), 0.0))
        scale = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0.0)
        scaled = gram * np.outer(scale, scale) + 1e-12 * np.eye(scale.size)
        inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
        step = inverse @ right
        rest = self.square - float(share @ self.along_residual**2) - float(right @ step)
        variance = max(rest / max(self.rows - step.size, 1), 1e-300)
        logdet = float(np.linalg.slogdet(scaled)[1]) - 2.0 * float(np.sum(np.log(scale[scale > 0.0])))
        return step, inverse, variance, logdet

    def deviance(self, ratio: float) -> float:
        """Minus twice the restricted log likelihood, up to a constant."""
        step, _, variance, logdet = self.solve(ratio)
        spread = float(np.sum(np.log1p(ratio * self.power)))
        return float((self.rows - step.size) * np.log(variance) + spread + logdet)

    def common_error(self, step: FloatArray, ratio: float) -> FloatArray:
        """Best linear prediction of the frames' common errors."""
        left = self.along_residual - self.along_design @ step
        return np.asarray(ratio / (1.0 + ratio * self.power) * left, dtype=np.float64)

    def whiten(self, rows: FloatArray, ratio: float) -> FloatArray:
        """Rows (frames, values, columns) less the share of the frames' common error that the ratio fixes."""
        safe = np.maximum(self.power, 1e-300)
        share = (1.0 - 1.0 / np.sqrt(1.0 + ratio * self.power)) / safe
        along = np.einsum("fv,fvp->fp", self.common, rows)
        whitened: FloatArray = rows - self.common[..., None] * (share[:, None] * along)[:, None, :]
        return whitened
