"""What a further reading is worth, in closed form: the variance that it takes off the units in question.

For a linear model with posterior covariance Σ, a reading with row a and variance s² takes
(aᵀΣe_u)² / (s² + aᵀΣa) off the variance of unknown u.

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
"""A Student-t reading of scale s tells as much as a normal one of variance s²·(ν + 3)/(ν + 1)."""


def variance_of(candidates: Candidates, k: float) -> FloatArray:
    """Variance that each candidate's reading counts with, for a person's k. Shape (c,) [µm²]"""
    return np.asarray(STUDENT_LOSS * ((k * candidates.blur_um) ** 2 + candidates.reading_sd_um**2))


def gain(covariance: FloatArray, design: FloatArray, variance: FloatArray, wanted: IntArray) -> FloatArray:
    """Variance that each candidate takes off each unit in question.

    Parameters
    ----------
    covariance : array, shape (p, p)
    design, variance : array, shapes (c, p) and (c,)
        Rows of the candidates and their variances. [µm²]
    wanted : array of int, shape (u,)
        Columns of the units in question.

    Returns
    -------
    array, shape (c, u)
        In the square of each unknown's unit.
    """
    reach = design @ covariance
    total = variance + np.einsum("cp,cp->c", reach, design)
    return np.asarray(reach[:, wanted] ** 2 / total[:, None])


def after(covariance: FloatArray, row: FloatArray, variance: float) -> FloatArray:
    """Posterior covariance (p, p) after one more reading with that row (p,) and variance [µm²]."""
    reach = covariance @ row
    return np.asarray(covariance - np.outer(reach, reach) / (variance + row @ reach))
