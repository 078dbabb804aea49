"""What to read next: the readings that reduce the variance of the undecided most, rounding counted."""

from collections.abc import Collection
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.design import Built
from shimwise.inference.model.rounding import usual_step_mm
from shimwise.inference.posterior.draws import Draws
from shimwise.inference.posterior.normal import normal_cdf
from shimwise.inference.posterior.student import STUDENT_INFLATION
from shimwise.inference.verdict.answer import NextReading
from shimwise.inference.verdict.decision import ACCEPT_P, CALL_OUT_P

MOST_NEXT = 3
MOST_MORE = 60
"""More readings than this are no advice."""
REPEATS = (1, 2, 4, 8)
LEAST_WORTH = 1e-3
"""Weight of the variance removed, where nothing is decided soon."""
IN_SDS, OUT_SDS = NormalDist().inv_cdf(1 - ACCEPT_P), NormalDist().inv_cdf(CALL_OUT_P)
"""How many sd inside or outside its tolerance a quantity is decided."""
MOST_TRIED = 40
"""Candidates among which readings are chosen one after the other."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """The c readings that could be taken: rows of the design (c, p), and what one more of each is worth.

    ``own_um2`` and ``shared_um2`` (c,): variance of each repeat alone, and the part of the rounding's that
    repeats share; ``covariance`` (p, p) of the unknowns as judged so far.
    """

    built: Built
    covariance: FloatArray
    own_um2: FloatArray
    shared_um2: FloatArray

    @classmethod
    def of(cls, draws: Draws, built: Built) -> "Candidates":
        """Return the candidates of a bench as judged so far."""
        k, width_um = float(np.mean(draws.k)), rounding_um(built)
        shared = _shared_rounding(built, k, width_um)
        own = variance_of(built, k, width_um) - shared
        return cls(built, draws.unknowns_covariance, own, shared)

    def count_to(self, unit: FloatArray, *, sd: float, taken: IntArray) -> int | None:
        """Return how many more readings bring a quantity to a standard uncertainty, each the best then.

        The covariance of the unknowns is updated reading by reading (as :func:`next_readings`); None where
        more than ``MOST_MORE`` are needed. Chosen is from the ``MOST_TRIED`` readings that shrink it most at
        first. The same thing read again comes between the same two marks: what rounding hides comes down only
        as far as the eye's own spread carries readings over a mark.

        References
        ----------
        .. [1] B. Widrow, I. Kollár, *Quantization Noise* (2008): with a Gaussian spread σ before rounding to
           w, the mean stays off by a sine of amplitude (w/π)·exp(−2π²σ²/w²) (from memory).

        Parameters
        ----------
        unit : array, shape (p,)
            The quantity as a combination of the unknowns.
        sd : float
            Wanted, in its unit.
        taken : array of int, shape (c,)
            How often each candidate was read already.
        """
        if not self.built.candidates or not len(unit):
            return None
        covariance, design = self.covariance, self.built.candidate_design
        saved = gain(covariance, design, self.own_um2 + self.shared_um2, unit[None, :])[:, 0]
        tried = np.argsort(-saved, kind="stable")[:MOST_TRIED]
        design, own, shared, times = design[tried], self.own_um2[tried], self.shared_um2[tried], taken[tried]
        for count in range(1, MOST_MORE + 1):
            variance = _variance_of_another(own, shared, times)
            best = int(np.argmax(gain(covariance, design, variance, unit[None, :])[:, 0]))
            reach = covariance @ design[best]
            covariance = covariance - np.outer(reach, reach) / (variance[best] + design[best] @ reach)
            times = times + (np.arange(len(times)) == best)
            if unit @ covariance @ unit <= sd**2:
                return count
        return None


def next_readings(
    draws: Draws,
    built: Built,
    *,
    wanted: IntArray,
    limit: FloatArray | None = None,
    unread: Collection[str] = (),
) -> tuple[NextReading, ...]:
    """Return the readings worth taking next, best first.

    In a linear model the variance of a quantity g falls by (aᵀΣg)²/(s² + aᵀΣa) after one more reading with
    row a and variance s² (K. Chaloner, I. Verdinelli, Statist. Sci. 10 (1995) 273-304; cited from memory).

    Parameters
    ----------
    draws, built
        As judged so far.
    wanted : array of int, shape (u,)
        Rows of the quantities that are undecided; none, and there is nothing to read.
    limit : array, shape (g,), optional
        Tolerance of each quantity. Landings by picture are so few that with it those are chosen which decide
        most, not those that remove most variance: what is worst known may need more of them than there are.
    unread : collection of str
        Bodies and lenses that nothing was measured of: by picture they come first, however well known.
    """
    if not len(wanted) or not built.candidates:
        return ()
    variance = variance_of(built, float(np.mean(draws.k)), rounding_um(built))
    saved = gain(draws.unknowns_covariance, built.candidate_design, variance, draws.quantities.matrix[wanted])
    before = draws.estimate_sd[wanted] ** 2
    worth = saved.sum(1)
    if limit is not None and all(one.measured_sd_um is not None for one in built.candidates):
        worth = _decided_each(draws, built, variance, wanted, limit) + LEAST_WORTH * worth / before.sum()
        fresh = np.array([sum(name in unread for name in (one.body, one.lens)) for one in built.candidates])
        worth += (1.0 + worth.max()) * fresh
    best = np.argsort(-worth, kind="stable")[:MOST_NEXT]
    return tuple(
        NextReading(
            body=built.candidates[i].body,
            lens=built.candidates[i].lens,
            distance_mm=built.candidates[i].distance_mm,
            sd_after_um=float(np.sqrt(max(0.0, np.mean(before - saved[i])))),
            focal_mm=built.candidates[i].setting_mm,
            by_picture=built.candidates[i].measured_sd_um is not None,
        )
        for i in best
    )


def _decided_each(
    draws: Draws, built: Built, variance: FloatArray, wanted: IntArray, limit: FloatArray
) -> FloatArray:
    """Return how many more of the wanted quantities a landing of each candidate (c,) decides, expected.

    Taken once or some times over, whichever is worth more for each time. A quantity of mean μ and sd σ that
    is known to σ' afterwards has a mean then that is N(μ, σ² − σ'²), and is decided by the decision rule.
    """
    mean, sd = draws.estimate[wanted], draws.estimate_sd[wanted]
    rows = draws.quantities.matrix[wanted]
    worth = np.zeros(len(variance))
    now = _decided(mean, np.zeros_like(sd), sd, limit[wanted])
    for times in REPEATS:
        saved = gain(draws.unknowns_covariance, built.candidate_design, variance / times, rows)
        after = np.sqrt(np.maximum(sd**2 - saved, 1e-6))
        each = (_decided(mean, np.sqrt(np.minimum(saved, sd**2)), after, limit[wanted]) - now).sum(1) / times
        worth = np.maximum(worth, each)
    return worth


def _decided(mean: FloatArray, moves: FloatArray, sd: FloatArray, limit: FloatArray) -> FloatArray:
    """Return the probability of being decided of quantities whose mean moves by so much (sd)."""
    moves = np.maximum(moves, 1e-6)
    inside = np.where(sd < limit / 2, limit - IN_SDS * sd, -np.inf)
    outside = limit + OUT_SDS * sd
    is_in = normal_cdf((inside - mean) / moves) - normal_cdf((-inside - mean) / moves)
    is_out = 2 - normal_cdf((outside - mean) / moves) - normal_cdf((outside + mean) / moves)
    return np.asarray(np.maximum(is_in, 0.0) + is_out)


def _variance_of_another(own: FloatArray, shared: FloatArray, times: IntArray) -> FloatArray:
    """Return the variance (c,) that one more reading is worth, of which ``shared`` is common to all of them.

    The mean of n has the variance shared + own/n; the precisions after and before it are taken apart.
    """
    after = 1 / (shared + own / (times + 1))
    before = np.where(times > 0, 1 / (shared + own / np.maximum(times, 1)), 0.0)
    return np.asarray(1 / np.maximum(after - before, 1e-12))


def _shared_rounding(built: Built, k: float, width_um: FloatArray) -> FloatArray:
    """Return the part (c,) of the rounding's variance that repeats share. [µm²]"""
    width = np.maximum(width_um, 1e-9)
    spread = (k * built.candidate_blur_um) ** 2 + built.candidate_ring_um**2
    return np.asarray(
        np.minimum(width**2 / (2 * np.pi**2) * np.exp(-4 * np.pi**2 * spread / width**2), width**2 / 12)
    )


def variance_of(built: Built, k: float, width_um: FloatArray) -> FloatArray:
    """Return the effective variance (c,) of each candidate for a person's k and a rounding's width. [µm²]"""
    square = (k * built.candidate_blur_um) ** 2 + built.candidate_ring_um**2
    return np.asarray(STUDENT_INFLATION * square + width_um**2 / 12)


def gain(covariance: FloatArray, design: FloatArray, variance: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return the variance (c, u) that each candidate removes from each wanted combination of the unknowns.

    ``covariance`` (p, p) of the unknowns, ``design`` (c, p) and ``variance`` (c,) of the candidates,
    ``wanted`` (u, p).
    """
    reach = design @ covariance
    total = variance + (reach * design).sum(1)
    return np.asarray((reach @ wanted.T) ** 2 / total[:, None])


def rounding_um(built: Built) -> FloatArray:
    """Return the width (c,) of the interval of a candidate's reading; a picture is not rounded. [µm]"""
    return np.array(
        [
            1e3 * one.magnification**2 * usual_step_mm(one.distance_mm) if one.measured_sd_um is None else 0.0
            for one in built.candidates
        ]
    )
