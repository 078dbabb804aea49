"""What to read next: the readings that reduce the variance of the undecided most, rounding counted."""

import numpy as np

from shimwise.inference.model.design import Built
from shimwise.inference.model.kinds import FloatArray, IntArray
from shimwise.inference.model.priors import NU
from shimwise.inference.model.rounding import usual_step_mm
from shimwise.inference.posterior.draws import Draws
from shimwise.inference.verdict.answer import NextReading

MOST_NEXT = 3
STUDENT_LOSS = (NU + 3) / (NU + 1)
"""A Student-t reading of scale s has the information of a normal one of variance s²·(ν + 3)/(ν + 1)."""


def next_readings(draws: Draws, built: Built, *, wanted: IntArray) -> tuple[NextReading, ...]:
    """Return the readings worth taking next, best first.

    In a linear model the variance of a quantity g falls by (aᵀΣg)²/(s² + aᵀΣa) after one more reading with
    row a and variance s² (K. Chaloner, I. Verdinelli, Statist. Sci. 10 (1995) 273-304; cited from memory).

    Parameters
    ----------
    draws, built
        As judged so far.
    wanted : array of int, shape (u,)
        Rows of the quantities that are undecided; none, and there is nothing to read.
    """
    if not len(wanted) or not built.candidates:
        return ()
    variance = variance_of(built, float(np.mean(draws.k)))
    saved = gain(draws.unknowns_covariance, built, variance, draws.quantities.matrix[wanted])
    before = draws.estimate_sd[wanted] ** 2
    best = np.argsort(-saved.sum(1), kind="stable")[:MOST_NEXT]
    return tuple(
        NextReading(
            body=built.candidates[i].body,
            lens=built.candidates[i].lens,
            distance_mm=built.candidates[i].distance_mm,
            sd_after_um=float(np.sqrt(max(0.0, np.mean(before - saved[i])))),
        )
        for i in best
    )


def variance_of(built: Built, k: float) -> FloatArray:
    """Return the effective variance (c,) of each candidate for a person's k, with its rounding. [µm²]"""
    square = (k * built.candidate_blur_um) ** 2 + built.candidate_ring_um**2
    return np.asarray(STUDENT_LOSS * square + rounding_um(built) ** 2 / 12)


def gain(covariance: FloatArray, built: Built, variance: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return the variance (c, u) that each candidate removes from each wanted combination of the unknowns.

    ``covariance`` (p, p) of the unknowns, ``variance`` (c,) of the candidates, ``wanted`` (u, p).
    """
    reach = built.candidate_design @ covariance
    total = variance + (reach * built.candidate_design).sum(1)
    return np.asarray((reach @ wanted.T) ** 2 / total[:, None])


def rounding_um(built: Built) -> FloatArray:
    """Return the width (c,) of the interval of a candidate's reading. [µm]"""
    return np.array([1e3 * one.magnification**2 * usual_step_mm(one.distance_mm) for one in built.candidates])
