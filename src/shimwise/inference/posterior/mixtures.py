"""Mixtures of normal distributions: quantiles and the probability of lying outside limits."""

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.posterior.normal import normal_cdf


def outside(
    share: FloatArray, means: FloatArray, sds: FloatArray, limit: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Probability of lying below −limit and above +limit.

    Parameters
    ----------
    share : array, shape (g,)
        Shares of the mixture, adding up to 1.
    means, sds : array, shape (g, p)
        Of each normal.
    limit : array, shape (p,)
        In the unit of the means.

    Returns
    -------
    below, above : array, shape (p,)
    """
    return share @ normal_cdf((-limit - means) / sds), share @ normal_cdf((means - limit) / sds)


def quantile(share: FloatArray, means: FloatArray, sds: FloatArray, level: float) -> FloatArray:
    """Quantile of each mixture, by bisection to 1e-9 of its spread. Shapes as in :func:`outside`."""
    low, high = (means - 12 * sds).min(0), (means + 12 * sds).max(0)
    for _ in range(40):
        middle = (low + high) / 2
        below = share @ normal_cdf((middle - means) / sds) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)
