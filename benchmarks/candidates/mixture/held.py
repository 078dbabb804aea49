"""What is held back: a unit or pair that is out by the numbers, while something else explains it as well.

Two explanations share a sum when a body and a lens swap freely, and when one eye alone has read: then what is
common to all landings may be its bias. Such a unit is not called out, and no remedy turns it.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from benchmarks.candidates.mixture.draws import Draws
from benchmarks.candidates.mixture.model import FloatArray
from benchmarks.candidates.mixture.unparted import OUT
from shimwise.inference.posterior.normal import normal_cdf
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.decision import CALL_OUT_P, SUSPECT_P

SWAPPED = -0.8
"""Errors of a body and a lens that are correlated more strongly than this swap: only their sum is known."""
ONE_EYE_REACH = 0.6
"""Bias that one eye may have unnoticed. [share of N·c; 24 µm at f/2 and 20 µm] Chosen by us."""
LIKELY = 0.5
"""What all landings have in common is a finding from this probability on of being out."""


@dataclass(frozen=True, slots=True)
class Holding:
    """Quantities (g,) with the probabilities of lying short of and deep beyond their limits.

    ``eye_reach_um``: bias that the only eye may have; 0 where two have read, or a gauge or frames fix the
    sum.
    """

    draws: Draws
    below: FloatArray
    above: FloatArray
    limit: FloatArray
    eye_reach_um: float

    def held(
        self, verdicts: Mapping[int, Verdict], *, read: Collection[tuple[str, str]]
    ) -> dict[int, Verdict]:
        """Verdicts by row of the quantities, with those held back that something else explains as well.

        Parameters
        ----------
        verdicts : mapping of row to Verdict
            Of bodies, lenses and pairs, each decided by itself.
        read : collection of (body, lens)
            Pairs that were read together.
        """
        by_eye = {
            row for row, verdict in verdicts.items() if verdict in OUT and self._is_common(row, verdict)
        }
        swapped = set()
        for body, lens in read:
            swapped |= self._swapped(body, lens, verdicts)
        return {
            row: Verdict.CANNOT_TELL if row in by_eye | swapped else verdict
            for row, verdict in verdicts.items()
        }

    def _swapped(self, body: str, lens: str, verdicts: Mapping[int, Verdict]) -> set[int]:
        """Which of a body and a lens are called out for what the other may have as well."""
        quantities = self.draws.quantities
        one, other = quantities.index("body", body), quantities.index("lens", lens)
        out = [(a, b) for a, b in ((one, other), (other, one)) if verdicts.get(a) in OUT]
        if not out or self._correlation(one, other) > SWAPPED:
            return set()
        return {a for a, b in out if self._side(b, verdicts[a]) >= SUSPECT_P}

    def _is_common(self, row: int, verdict: Verdict) -> bool:
        """Whether a unit is out only by what all landings share, and a bias of the only eye explains that."""
        common = self.draws.quantities.indices("common")
        if not self.eye_reach_um or not common:
            return False
        estimate = self.draws.estimate[common[0]]
        if self._side(common[0], verdict) < LIKELY or abs(estimate) - self.eye_reach_um > self.limit[row]:
            return False
        mean, sd = self._own(row, common[0])
        sign = -1.0 if verdict is Verdict.OUT_SHORT else 1.0
        return bool(normal_cdf(np.array((sign * mean - self.limit[row]) / sd)) < CALL_OUT_P)

    def _own(self, row: int, common: int) -> tuple[float, float]:
        """Mean and sd of what a unit or pair has beyond what all have in common. [µm]"""
        quantities = self.draws.quantities
        kind = quantities.kinds[row].kind
        shared = quantities.indices(kind) if kind in ("body", "lens") else [common]
        weight = quantities.matrix[row] - quantities.matrix[shared].mean(0)
        variance = weight @ self.draws.unknowns_covariance @ weight
        mean = self.draws.estimate[row] - self.draws.estimate[shared].mean()
        return float(mean), float(np.sqrt(max(variance, 1e-6)))

    def _side(self, row: int, verdict: Verdict) -> float:
        return float(self.below[row] if verdict is Verdict.OUT_SHORT else self.above[row])

    def _correlation(self, one: int, other: int) -> float:
        rows = self.draws.quantities.matrix[[one, other]]
        covariance = rows @ self.draws.unknowns_covariance @ rows.T
        return float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
