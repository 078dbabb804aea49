"""Readings and mixtures of levels as Gaussian sites: expectation propagation.

A *site* is a Gaussian (precision, pull) in place of a factor of the posterior. Each factor is matched
against its *cavity*, the posterior without the site itself.

References
----------
.. [1] T. P. Minka, "Expectation propagation for approximate Bayesian inference", Proc. UAI (2001) 362-369
   (moment matching against the cavity; cited from memory).
.. [2] K. L. Lange, R. J. A. Little, J. M. G. Taylor, "Robust statistical modeling using the t distribution",
   J. Am. Stat. Assoc. 84 (1989) 881-896 (weights (ν + 1)/(ν + r²), information (ν + 1)/(ν + 3); from memory).
"""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.priors import NU
from shimwise.inference.posterior.normal import normal_cdf
from shimwise.inference.posterior.student import STUDENT_INFLATION

NARROW = 0.3
"""Intervals narrower than this many sds are taken by series."""
FARTHEST = 30.0
DAMPING = 0.85
LARGEST_VARIANCE = 1e8


@dataclass(frozen=True, slots=True)
class Site:
    """Precision and pull of factors, each (n,)."""

    precision: FloatArray
    pull: FloatArray

    def toward(self, other: "Site", share: float) -> "Site":
        """Return the site moved by a share of the way to another."""
        return Site(
            self.precision + share * (other.precision - self.precision),
            self.pull + share * (other.pull - self.pull),
        )


def cavity(mean: FloatArray, variance: FloatArray, site: Site) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of a posterior without its site."""
    precision = np.maximum(1 / variance - site.precision, 1 / LARGEST_VARIANCE)
    return (mean / variance - site.pull) / precision, 1 / precision


def truncated_moments(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of the standard normal between bounds; ``high`` may be infinite."""
    flipped = low + high > 0
    a = np.clip(np.where(flipped, -high, low), -FARTHEST, FARTHEST)
    b = np.clip(np.where(flipped, -low, high), -FARTHEST, FARTHEST)
    width, middle = b - a, (a + b) / 2
    mass = np.maximum(normal_cdf(b) - normal_cdf(a), 1e-300)
    fa, fb = (np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi) for x in (a, b))
    mean = np.clip((fa - fb) / mass, a, b)
    variance = 1 + (a * fa - b * fb) / mass - mean**2
    is_narrow = (width < NARROW) | (mass < 1e-200)
    mean = np.where(is_narrow, np.clip(middle - middle * width**2 / 12, a, b), mean)
    variance = np.where(is_narrow, width**2 / 12, variance)
    return np.where(flipped, -mean, mean), np.clip(variance, 1e-12, 1.0)


def reading_sites(
    *,
    low: FloatArray,
    high: FloatArray,
    scale: FloatArray,
    square: FloatArray,
    mean: FloatArray,
    variance: FloatArray,
) -> tuple[Site, FloatArray]:
    """Return the sites of readings, and the mean square of each one's error.

    Parameters
    ----------
    low, high : array, shape (n,)
        Interval of each landing. [µm]
    scale : array, shape (n,)
        Scale of its t(4) error. [µm]
    square : array, shape (n,)
        Mean square of its error as last found [µm²]: the weight follows from it.
    mean, variance : array, shape (n,)
        Of the expected landing without this reading. [µm, µm²]
    """
    noise = scale**2 * (NU + square / scale**2) / (NU + 1)
    total = variance + noise
    root = np.sqrt(total)
    first, second = truncated_moments((low - mean) / root, (high - mean) / root)
    kept = 1 - second
    precision = kept / np.maximum(total - variance * kept, 1e-12) / STUDENT_INFLATION
    tilted = mean + variance / root * first
    pull = tilted * (1 / variance + precision) - mean / variance
    found = noise - noise**2 / total * kept + noise**2 / total * first**2
    return Site(precision, pull), found


def mixture_sites(
    mean: FloatArray, variance: FloatArray, level_variance: FloatArray, share: FloatArray
) -> tuple[Site, FloatArray, FloatArray]:
    """Return the sites of unknowns with levels, responsibilities and second moments.

    Parameters
    ----------
    mean, variance : array, shape (n,)
        Of each unknown without its prior.
    level_variance : array, shape (n, levels) or (levels,)
    share : array, shape (levels,)

    Returns
    -------
    site : Site
    responsibility : array, shape (n, levels)
        Probability of each level.
    second : array, shape (n, levels)
        Mean square of the unknown at each level.
    """
    total = variance[:, None] + level_variance
    log_weight = np.log(share) - 0.5 * (np.log(total) + mean[:, None] ** 2 / total)
    weight = np.exp(log_weight - log_weight.max(1, keepdims=True))
    weight /= weight.sum(1, keepdims=True)
    level_mean = mean[:, None] * (level_variance / total)
    level_var = variance[:, None] * (level_variance / total)
    middle = (weight * level_mean).sum(1)
    spread = (weight * (level_var + (level_mean - middle[:, None]) ** 2)).sum(1)
    least = 1e-3 / np.max(np.broadcast_to(level_variance, total.shape), axis=1)
    precision = np.maximum(1 / spread - 1 / variance, least)
    pull = middle * (1 / variance + precision) - mean / variance
    return Site(precision, pull), weight, level_var + level_mean**2
