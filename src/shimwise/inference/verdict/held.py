"""What is held back: a unit or pair that is out by the numbers, while something else explains it as well.

A body and a lens that swap freely are not called out, and no remedy turns them. Where one eye alone has read,
what is common to all landings may be its bias: pairs that are out by that alone are not called out, nor are
bodies that are all off alike.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.posterior.draws import Draws
from shimwise.inference.posterior.normal import normal_cdf
from shimwise.inference.verdict.answer import OUT, Verdict
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
        alike = {
            row
            for row in self.draws.quantities.indices("body")
            if verdicts.get(row) in OUT and self._is_alike(row, verdicts)
        }
        swapped = alike | {row for body, lens in read for row in self._swapped(body, lens, verdicts)}
        parted = {**verdicts, **dict.fromkeys(swapped, Verdict.CANNOT_TELL)}
        by_eye = {
            row
            for row in self.draws.quantities.indices("pair")
            if parted.get(row) in OUT and self._is_common(row, verdicts[row])
            if not self._has_part_out(row, parted)
        }
        return parted | dict.fromkeys(by_eye, Verdict.CANNOT_TELL)

    def _is_alike(self, body: int, verdicts: Mapping[int, Verdict]) -> bool:
        """Whether the only eye explains a body that is out, since no body is off by clearly less than it.

        Several bodies that are off alike are less likely than one eye; of a single body that does not hold.
        """
        verdict, common = verdicts[body], self.draws.quantities.indices("common")
        bodies = [row for row in self.draws.quantities.indices("body") if row in verdicts and row != body]
        if not bodies or not common or not self._is_in_reach(common[0], verdict, body):
            return False
        sign = -1.0 if verdict is Verdict.OUT_SHORT else 1.0
        least = min(bodies, key=lambda row: sign * self.draws.estimate[row])
        return not self._is_out_beyond(body, least, verdict)

    def _has_part_out(self, pair: int, verdicts: Mapping[int, Verdict]) -> bool:
        """Whether the body or the lens of a pair is called out by itself."""
        quantities = self.draws.quantities
        body, lens = quantities.kinds[pair].names
        return any(verdicts.get(quantities.index(*one)) in OUT for one in (("body", body), ("lens", lens)))

    def _swapped(self, body: str, lens: str, verdicts: Mapping[int, Verdict]) -> set[int]:
        """Which of a body and a lens are called out for what the other may have as well."""
        quantities = self.draws.quantities
        one, other = quantities.index("body", body), quantities.index("lens", lens)
        out = [(a, b) for a, b in ((one, other), (other, one)) if verdicts.get(a) in OUT]
        if not out or self.draws.correlation(one, other) > SWAPPED:
            return set()
        return {a for a, b in out if self._side(b, verdicts[a]) >= SUSPECT_P}

    def _is_common(self, pair: int, verdict: Verdict) -> bool:
        """Whether a pair is out only by what all landings share, and a bias of the only eye explains that."""
        common = self.draws.quantities.indices("common")
        return (
            bool(common)
            and self._is_in_reach(common[0], verdict, pair)
            and not self._is_out_beyond(pair, common[0], verdict)
        )

    def _is_in_reach(self, common: int, verdict: Verdict, row: int) -> bool:
        """Whether what all share is likely out on that side, and a bias of the only eye may be all of it."""
        size = abs(self.draws.estimate[common]) - self.eye_reach_um
        return bool(self.eye_reach_um and self._side(common, verdict) >= LIKELY and size <= self.limit[row])

    def _is_out_beyond(self, row: int, other: int, verdict: Verdict) -> bool:
        """Whether a quantity is out on its side even when another is taken off it."""
        weight = self.draws.quantities.matrix[row] - self.draws.quantities.matrix[other]
        sd = np.sqrt(max(float(weight @ self.draws.unknowns_covariance @ weight), 1e-6))
        sign = -1.0 if verdict is Verdict.OUT_SHORT else 1.0
        mean = self.draws.estimate[row] - self.draws.estimate[other]
        return bool(normal_cdf(np.array((sign * mean - self.limit[row]) / sd)) >= CALL_OUT_P)

    def _side(self, row: int, verdict: Verdict) -> float:
        return float(self.below[row] if verdict is Verdict.OUT_SHORT else self.above[row])
