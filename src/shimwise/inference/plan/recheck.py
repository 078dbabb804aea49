"""The re-check after a move: at least two lenses at two distances, and as much more as the body needs.

The same closed form that plans a check chooses the readings, with everything that is remembered as the prior:
the lenses as the readings before the move left them, the charts as they stand taped.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import Candidates, build_model
from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.joint_memory import History
from shimwise.inference.model.linear import FloatArray, Kind
from shimwise.inference.model.observations import Sight
from shimwise.inference.model.prep import Prep, Reading
from shimwise.inference.plan.planner import PlannedReading
from shimwise.inference.posterior.information_gain import after, gain, variance_of
from shimwise.inference.posterior.robust import K_MEDIAN

LEAST_LENSES = LEAST_DISTANCES = 2
"""One lens or one distance could hide its own error. Common practice, no source."""
SD_SHARE = 0.4
"""A body is known well enough at this share of its tolerance: below the half that "in tolerance" needs."""
MOST_READINGS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """Readings to take, the standard uncertainty of the body that they leave [µm], and if that suffices."""

    readings: tuple[PlannedReading, ...]
    sd_um: float
    is_enough: bool

    @property
    def count(self) -> int:
        """How many readings are asked for."""
        return sum(reading.repeats for reading in self.readings)


def plan_recheck(
    prep: Prep,
    history: History,
    *,
    body: str,
    taken: Sequence[Reading] = (),
    sd_um: float | None = None,
    most: int = MOST_READINGS,
    k: float = K_MEDIAN,
) -> Recheck:
    """Plan the re-check of a body.

    Parameters
    ----------
    prep : Prep
        Names the lenses and, by its readings, the charts that stand taped.
    history : History
        All that is known now, with what was read since the move (:meth:`History.after`).
    body : str
        Whose re-check.
    taken : sequence of Reading
        What was read of it since the move: two lenses and two distances among them are not asked for again.
    sd_um : float, optional
        Standard uncertainty to reach [µm, above 0]; ``SD_SHARE`` of the tolerance when not given.
    most : int
        Most readings to ask for; the least re-check is asked for in any case.
    k : float
        The reader's focusing spread as a share of N·c.

    Raises
    ------
    InferenceError
        When no lens is known to read it with, or ``sd_um`` is not above 0.
    """
    target_um = SD_SHARE * prep.tolerance_um if sd_um is None else sd_um
    if not target_um > 0:
        raise InferenceError(f"A body cannot be known to {target_um:g} µm. Give a target above 0.")
    possible = [one for one in possible_readings(prep, bodies=(body,)) if one.body == body]
    if not possible:
        raise InferenceError(
            f"There is no lens to re-check {body} with. Name one with its focal length and stop."
        )
    model, candidates = build_model(prep, candidates=possible)
    columns, here = history.with_units_of(model).columns_of(model)
    covariance = np.diag(model.prior_sd**2)
    covariance[np.ix_(columns, columns)] = history.with_units_of(model).covariance[np.ix_(here, here)]
    ranking = _Ranking(candidates, covariance, variance_of(candidates, k), model.index(Kind.BODY, body))
    ranking.take_least(taken)
    while ranking.sd_um > target_um and len(ranking.chosen) < most:
        ranking.take(range(len(candidates.sights)))
    return Recheck(
        readings=_gathered([candidates.sights[i] for i in ranking.chosen]),
        sd_um=ranking.sd_um,
        is_enough=ranking.sd_um <= target_um,
    )


@dataclass(slots=True)
class _Ranking:
    """Sights by what they take off the body's variance; one that was chosen counts as read."""

    candidates: Candidates
    covariance: FloatArray
    variance: FloatArray
    column: int
    chosen: list[int] = field(default_factory=list)

    @property
    def sd_um(self) -> float:
        return float(np.sqrt(self.covariance[self.column, self.column]))

    def take(self, allowed: Sequence[int]) -> None:
        """Choose the best of the allowed sights."""
        saved = gain(self.covariance, self.candidates.design, self.variance, np.array([self.column]))[:, 0]
        best = max(allowed, key=lambda i: saved[i])
        self.covariance = after(self.covariance, self.candidates.design[best], float(self.variance[best]))
        self.chosen.append(best)

    def take_least(self, taken: Sequence[Reading]) -> None:
        """Choose until two lenses and two distances are read, as far as there are so many."""
        sights = self.candidates.sights
        lenses = {one.lens for one in taken}
        distances = {one.distance_mm for one in taken}
        while True:
            new = [
                i
                for i, sight in enumerate(sights)
                if (len(lenses) < LEAST_LENSES and sight.lens not in lenses)
                or (len(distances) < LEAST_DISTANCES and sight.distance_mm not in distances)
            ]
            both = [i for i in new if sights[i].lens not in lenses and sights[i].distance_mm not in distances]
            if not new:
                return
            self.take(both or new)
            lenses.add(sights[self.chosen[-1]].lens)
            distances.add(sights[self.chosen[-1]].distance_mm)


def _gathered(sights: Sequence[Sight]) -> tuple[PlannedReading, ...]:
    """Repeats together, near before far, so that a chart is stood before once."""
    counts: dict[tuple[float, float, str, str], int] = {}
    for sight in sights:
        key = (sight.distance_mm, sight.focal_mm, sight.lens, sight.body)
        counts[key] = counts.get(key, 0) + 1
    return tuple(
        PlannedReading(body=body, lens=lens, focal_mm=focal_mm, distance_mm=distance_mm, repeats=repeats)
        for (distance_mm, focal_mm, lens, body), repeats in sorted(counts.items())
    )
