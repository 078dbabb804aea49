"""What a plan can promise: preps drawn from what is known, read as planned, and judged.

Half the 95 % interval that the judge will give differs from prep to prep: it depends on the person's k, on
what is healthy and what is off, on rounding, and on the readings themselves. Adding variances gives a half
width that is kept in about half of the preps. Here preps are drawn from the posterior of what was read so
far (without readings from the priors, gauges and histories), the planned readings are drawn in each of them,
and chains of the judge's own sampler run on all of them side by side.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.design import Built
from shimwise.inference.model.mixture import MixtureModel, Quantities, Rows
from shimwise.inference.model.priors import NU, Effect
from shimwise.inference.posterior.chains import Chains
from shimwise.inference.posterior.draws import mixture_quantile

PREPS = 96
"""Preps drawn; a probability of .9 has a standard error of .03."""
LEAST_PREPS = 16
NUMBERS_AT_ONCE = 1_000_000
"""Preps are so few that preps × unknowns² stay below this."""
LEAST_SHARE = 1e-3
BURN_IN, SWEEPS = 24, 32
"""Sweeps left out and kept. With 8 left out the half width kept in 9 of 10 preps was a tenth too wide."""
EXACT_UM = 0.01
"""Least width of a reading's interval: at infinity rounding moves no landing. [µm]"""


class DrawnPreps:
    """Preps as they may be, by what is known: truths of the unknowns (preps, p) and k (preps, persons)."""

    def __init__(self, built: Built, rounding_um: FloatArray, *, k: float | None) -> None:
        model = _without_wild(built.model)
        size = max(1, len(model.columns) ** 2)
        chains = Chains(model, count=max(LEAST_PREPS, min(PREPS, NUMBERS_AT_ONCE // size)), seed=0)
        for _ in range(BURN_IN):
            chains.sweep()
        self.built, self.rounding_um = built, np.maximum(rounding_um, EXACT_UM)
        self.unknowns = chains.unknowns
        self.k = np.exp(chains.log_k) if k is None else np.full(chains.log_k.shape, k)
        indices = model.quantities.indices(Effect.BODY.value)
        self.bodies = Quantities(
            tuple(model.quantities.kinds[i] for i in indices),
            model.quantities.matrix[indices],
            model.quantities.offset[indices],
        )

    def half_widths_um(self, repeats: Mapping[int, int]) -> FloatArray:
        """Half the 95 % interval (preps, bodies) after the chosen candidates, each read so often."""
        model = replace(self.built.model, rows=self._rows(repeats), quantities=self.bodies)
        chains = Chains(model, count=len(self.unknowns), seed=1)
        for _ in range(BURN_IN):
            chains.sweep()
        found = [chains.sweep() for _ in range(SWEEPS)]
        means = np.array([one.mean.ravel() for one in found])
        sds = np.array([one.sd.ravel() for one in found])
        low, high = (mixture_quantile(means, sds, level) for level in (0.025, 0.975))
        return np.asarray((high - low) / 2).reshape(len(self.unknowns), -1)

    def _rows(self, repeats: Mapping[int, int]) -> Rows:
        """Rows of what was read and, in every prep its own, of the planned readings."""
        built, rows = self.built, self.built.model.rows
        chosen = np.array(sorted(repeats), dtype=np.intp)
        times = np.array([repeats[i] for i in chosen], dtype=np.intp)
        planned = np.repeat(chosen, times)
        low_um, high_um = self._intervals(planned)
        shape = (len(self.unknowns), len(rows.pattern))
        count = int(times.sum())
        person = [self._person(built.candidates[i].operator, built.model) for i in chosen]
        return Rows(
            design=np.vstack([rows.design, built.candidate_design[chosen]]),
            pattern=np.concatenate(
                [rows.pattern, len(rows.design) + np.repeat(np.arange(len(chosen)), times)]
            ),
            low_um=np.hstack([np.broadcast_to(rows.low_um, shape), low_um]),
            high_um=np.hstack([np.broadcast_to(rows.high_um, shape), high_um]),
            landing_um=np.concatenate([rows.landing_um, np.zeros(count)]),
            blur_um=np.concatenate([rows.blur_um, built.candidate_blur_um[chosen]]),
            ring_um=np.concatenate([rows.ring_um, built.candidate_ring_um[chosen]]),
            person=np.concatenate([rows.person, np.array(person, dtype=np.intp)]),
            reading=np.arange(len(rows.pattern) + count),
            setups=(*rows.setups, *(built.candidates[i].setup for i in chosen)),
        )

    def _intervals(self, planned: IntArray) -> tuple[FloatArray, FloatArray]:
        """Draw the intervals (preps, n) of planned readings: truth, error of eye and ring, steps.

        A repeat of a candidate has the same errors whatever else is planned: plans are compared on the
        same preps.
        """
        built, count = self.built, len(self.unknowns)
        errors = [
            np.random.Generator(np.random.SFC64((2, i))).standard_t(NU, (times, count))
            for i, times in sorted(Counter(planned.tolist()).items())
        ]
        error = np.vstack([np.zeros((0, count)), *errors]).T
        person = [self._person(built.candidates[i].operator, built.model) for i in planned]
        scale = np.sqrt(
            (self.k[:, person] * built.candidate_blur_um[planned]) ** 2
            + built.candidate_ring_um[planned] ** 2
        )
        landing = self.unknowns @ built.candidate_design[planned].T + scale * error
        width = self.rounding_um[planned]
        low_um = (np.round(landing / width) - 0.5) * width
        return low_um, low_um + width

    @staticmethod
    def _person(name: str, model: MixtureModel) -> int:
        return model.persons.index(name) if name in model.persons else 0


def _without_wild(model: MixtureModel) -> MixtureModel:
    """Return the model with hardly a wild unit: readings soon show it; a plan is for what is not."""
    share = model.levels.share * np.array([1.0, 1.0, LEAST_SHARE])
    levels = replace(model.levels, share=share / share.sum(1, keepdims=True))
    return replace(model, levels=levels)
