"""The information gain of a further reading, in closed form: the variance that it removes.

In a linear model with posterior covariance Σ, a reading with row a and variance s² reduces the variance of
unknown u by (aᵀΣe_u)² / (s² + aᵀΣa).

References
----------
.. [1] K. Chaloner, I. Verdinelli, "Bayesian experimental design: a review", Statist. Sci. 10 (1995) 273-304
   (linear models; cited from memory).
"""

import numpy as np

from shimwise.inference.model.assemble import Candidates
from shimwise.inference.model.linear import FloatArray, IntArray
from shimwise.inference.posterior.robust import NU

STUDENT_LOSS = (NU + 3) / (NU + 1)
"""A Student-t reading of scale s has the information of a normal one of variance s²·(ν + 3)/(ν + 1)."""


def variance_of(candidates: Candidates, k: float) -> FloatArray:
    """Return the effective variance of each candidate for a person's k, shape (c,). [µm²]"""
    return np.asarray(STUDENT_LOSS * ((k * candidates.blur_um) ** 2 + candidates.reading_sd_um**2))


def gain(covariance: FloatArray, design: FloatArray, variance: FloatArray, wanted: IntArray) -> FloatArray:
    """Return the variance that each candidate removes from each wanted unknown.

    Parameters
    ----------
    covariance : array, shape (p, p)
    design, variance : array, shapes (c, p) and (c,)
        Rows of the candidates and their variances. [µm²]
    wanted : array of int, shape (u,)
        Columns of the wanted unknowns.

    Returns
    -------
    array, shape (c, u)
        In the square of each unknown's unit.
    """
    reach = design @ covariance
    total = variance + np.einsum("cp,cp->c", reach, design)
    return np.asarray(reach[:, wanted] ** 2 / total[:, None])


def after(covariance: FloatArray, row: FloatArray, variance: float) -> FloatArray:
    """Return the posterior covariance (p, p) after a reading with that row (p,) and variance [µm²]."""
    reach = covariance @ row
    return np.asarray(covariance - np.outer(reach, reach) / (variance + row @ reach))
