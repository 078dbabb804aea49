"""All stars of a sweep fitted as one: an error of a frame's position moves all of them alike.

Each star's free even part takes up its own share of such an error, so that the stars' own fits differ by it.
One system of equations, with every even part fitted anew, finds the errors from all stars; differences
between stars, the tilt, are then free of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.imaging.focus.fit.interval import peak_variance, t_quantile
from shimwise.imaging.focus.fit.star_fit import W040_SPREAD, StarFit, normal_equations
from shimwise.imaging.focus.peak import PeakFit

FLOOR_OF_DIFFERENCES = 0.3
"""Share of a peak's floor that stays in differences between stars: a wrong law errs much alike in all
of them."""

STRETCH_SD_UM = 0.01
"""Root mean square that a stretch of the recorded positions may have over the sweep, µm: next to none."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and 95 % interval, µm."""

    value_um: float
    sd_um: float
    low_um: float
    high_um: float

    def doubted(self, by_sd_um: float) -> Estimate:
        """Return it with an uncertainty more, which its frames do not show."""
        below, above = self.value_um - self.low_um, self.high_um - self.value_um
        more = t_quantile(np.inf) * by_sd_um
        return Estimate(
            self.value_um,
            float(np.hypot(self.sd_um, by_sd_um)),
            self.value_um - float(np.hypot(below, more)),
            self.value_um + float(np.hypot(above, more)),
        )


@dataclass(frozen=True)
class JointPeaks:
    """All stars of a sweep with the frames' common position errors taken out.

    Attributes
    ----------
    best_um : ndarray
        The stars' peaks, (stars,), µm; the leading star's is that of its own fit.
    apart_um : ndarray
        How far leaving out each frame moves each star's peak by the leading star's, (stars, frames).
    common_um : ndarray
        How far it moves the leading star's, (frames,).
    least_variance : float
        Variance of the leading star's weighted mean, µm².
    floor_um : ndarray
        Floor of each star's half width, µm.
    used : ndarray of bool
        Frames that count, (frames,).
    """

    best_um: FloatArray
    apart_um: FloatArray
    common_um: FloatArray
    least_variance: float
    floor_um: FloatArray
    used: BoolArray

    @classmethod
    def of(cls, fits: Sequence[PeakFit], lead: int = 0) -> JointPeaks:
        """Fit all stars at once, and without each frame in turn; the star ``lead`` gives the common place."""
        first = fits[lead]
        used = first.influence.used
        stars = [fit.star for fit in fits]
        place = np.array([star.state.best_um for star in stars])

        def apart(frames: FloatArray) -> FloatArray:
            found = place + _steps(stars, first.star, frames)
            return np.asarray(found - found[lead])

        whole = np.ones(used.size)
        left_out = np.zeros((len(fits), used.size))
        if len(fits) > 1:
            for k in np.flatnonzero(used):
                left_out[:, k] = apart(whole - np.eye(used.size)[k])
        return cls(
            best_um=first.best_um + (apart(whole) if len(fits) > 1 else np.zeros(1)),
            apart_um=left_out,
            common_um=first.influence.best_um,
            least_variance=peak_variance(first.star, first.influence),
            floor_um=np.array([fit.floor_um for fit in fits]),
            used=used,
        )

    def interval(self, weights: FloatArray, value_um: float, *, extra_variance: float = 0.0) -> Estimate:
        """Return a weighted sum of the stars' peaks with its uncertainty, about ``value_um``."""
        whole = float(weights.sum())
        moved = (weights @ self.apart_um + whole * self.common_um)[self.used]
        count = moved.size
        scatter = float((count - 1) / count * np.sum((moved - moved.mean()) ** 2))
        scatter = max(scatter, whole**2 * self.least_variance)
        apart = weights - whole / weights.size
        floor = np.hypot(
            abs(whole) * float(self.floor_um.max()),
            FLOOR_OF_DIFFERENCES * float(np.linalg.norm(apart * self.floor_um)),
        )
        spread = float(np.sqrt(scatter + extra_variance))
        half = float(np.hypot(t_quantile(count - 1.0) * spread, floor))
        return Estimate(value_um, float(np.hypot(spread, floor / 2.0)), value_um - half, value_um + half)


class _Reduced(NamedTuple):
    """Normal equations of one star in its frames' offsets and W040, even parts eliminated."""

    gram: FloatArray
    right: FloatArray


def _steps(stars: Sequence[StarFit], lead: StarFit, frames: FloatArray) -> FloatArray:
    """Steps of the stars' peaks in the joint least squares over some frames, (stars,). [µm]"""
    count = frames.size
    size = count + 2 * len(stars)
    gram, right = np.zeros((size, size)), np.zeros(size)
    at = np.arange(count)
    # All scatter of the leading star's frames may be common: a wide prior costs differences nothing.
    share = lead.frame_weight
    common = float(share @ (lead.observed_um - lead.mean_um) ** 2) / max(float(share.sum()), 1e-30)
    gram[at, at] = 1.0 / max(common, 1e-12)
    # A stretch of the positions, and its cube, look like a misfit of the law: both change all rings evenly.
    away = (lead.rings.position_um - lead.state.best_um) / np.ptp(lead.rings.position_um)
    odd = np.linalg.qr(np.stack([away, away**3], axis=1) * frames[:, None])[0]
    gram[:count, :count] += odd @ odd.T / STRETCH_SD_UM**2
    for number, star in enumerate(stars):
        curve = max(star.variances.curve, 1e-30)
        reduced = _reduced(star, frames)
        # A frame's offset is the common error and the step of this star's peak.
        into = np.zeros((count + 1, size))
        into[at, at] = 1.0
        into[at, count + 2 * number] = 1.0
        into[count, count + 2 * number + 1] = 1.0
        gram += into.T @ reduced.gram @ into / curve
        right += into.T @ reduced.right / curve
        w = count + 2 * number + 1
        gram[w, w] += 1.0 / W040_SPREAD**2
        right[w] -= star.state.w040 / W040_SPREAD**2
    return np.asarray(np.linalg.solve(gram, right)[count::2], dtype=np.float64)


def _reduced(star: StarFit, frames: FloatArray) -> _Reduced:
    linear, trust = star.linear, star.trust * frames
    gram, right, prior = normal_equations(linear, star.offsets.coefficients, trust, star.ridge)
    inverse = np.linalg.inv(gram + prior)
    count = trust.size
    columns = np.zeros((count + 1, *linear.rest.shape))
    columns[np.arange(count), np.arange(count)] = linear.by_best
    columns[count] = linear.by_w040
    along = np.einsum("kja,k,ckj->cja", linear.terms, trust, columns, optimize=True)
    fitted = np.einsum("jab,cjb->cja", inverse, along)
    weighted = trust[:, None] * columns
    own = np.einsum("ckj,dkj->cd", weighted, columns) - np.einsum("cja,dja->cd", along, fitted)
    pull = np.einsum("ckj,kj->c", weighted, linear.rest) - np.einsum("cja,ja->c", fitted, right[0])
    # The residuals are those at the star's own believed shifts.
    pull += own[:, :count] @ star.shift_um
    return _Reduced(own, pull)
