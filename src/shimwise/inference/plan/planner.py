"""Plan a check: which lenses, distances and repeats make every body known to ±x µm, or why none can.

Histories are used as given; whether they fit is tested once there are readings. Readings are chosen one at a
time, each the one that removes most variance from the bodies that are still too uncertain, then grouped into
repeats. No landing is needed: in a linear model the posterior variance does not depend on the values read.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.bench import later_states
from shimwise.inference.model.candidates import MOST_CANDIDATES, USUAL_DISTANCES_MM, possible_readings
from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.kinds import FloatArray
from shimwise.inference.model.observations import Observation
from shimwise.inference.model.prep import Axis, Prep
from shimwise.inference.model.priors import K_MEDIAN, Effect
from shimwise.inference.posterior.draws import draw
from shimwise.inference.verdict.datum import Datum, body_limits, half_width_um
from shimwise.inference.verdict.next_readings import gain, variance_of

MOST_READINGS = 300
"""A plan longer than this is no plan."""
NEAR_LIMIT_SHARE = 1.15
"""If no readings can reach the target, the plan stops at this multiple of the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedReading:
    """One observation of a plan and how often to repeat it; ``axis`` of an anamorphic picture."""

    body: str
    lens: str
    focal_mm: float
    distance_mm: float
    repeats: int
    axis: Axis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedBody:
    """95 % half width of a body after a plan, and its limit for infinitely many readings. [µm]"""

    name: str
    half_width_um: float
    limit_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole check: what to read, what it reaches, and what limits it."""

    target_um: float
    is_reached: bool
    readings: tuple[PlannedReading, ...]
    bodies: tuple[PlannedBody, ...]
    limits: tuple[Datum, ...]

    @property
    def count(self) -> int:
        """How many readings the plan asks for."""
        return sum(reading.repeats for reading in self.readings)


def plan_check(
    prep: Prep,
    *,
    target_um: float,
    bodies: tuple[str, ...] = (),
    distances_mm: tuple[float, ...] = USUAL_DISTANCES_MM,
    k: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Plan:
    """Plan the readings that make every body known to ±``target_um`` (95 %).

    Parameters
    ----------
    prep : Prep
        What is known of the units; readings already taken count.
    target_um : float
        95 % half width wanted on every body. [µm, positive]
    bodies : tuple of str
        Bodies to plan for beyond those of the prep.
    distances_mm : tuple of float
        Distances at which a chart can be taped. [mm]
    k : float, optional
        The operator's focusing spread as a share of N·c; by default from the readings, else the median.
    progress : callable, optional
        Called with the number of readings chosen so far and the most there can be.

    Raises
    ------
    InferenceError
        If the target is not positive, or no lens or no body is known.
    """
    if not target_um > 0:
        raise InferenceError(f"A target of ±{target_um:g} µm cannot be reached. Give one above 0.")
    possible = possible_readings(prep, bodies=bodies, distances_mm=distances_mm)
    if not possible:
        raise InferenceError(
            "There is nothing to plan with: name at least one body, and one lens with its focal length and "
            "f-number, at distances beyond its near limit."
        )
    if len(possible) > MOST_CANDIDATES:
        raise InferenceError(
            f"{len(possible)} different readings are possible; at most {MOST_CANDIDATES} can be compared. "
            "Plan for fewer bodies, lenses or distances at a time."
        )
    built = build_mixture(prep, candidates=possible, later=later_states(prep))
    limits = body_limits(built)
    covariance, read_k = _known_so_far(built)
    variance = variance_of(built, k if k is not None else read_k)
    wanted = _wanted_um(limits, target_um)
    chosen, covariance = _choose(built, variance, covariance, wanted, progress)
    reached = tuple(
        PlannedBody(name=limit.body, half_width_um=half_width_um(covariance, row), limit_um=limit.limit_um)
        for limit, row in zip(limits, _bodies(built), strict=True)
    )
    return Plan(
        target_um=target_um,
        is_reached=all(body.half_width_um <= target_um for body in reached),
        readings=_gathered(built.candidates, chosen),
        bodies=reached,
        limits=limits,
    )


def _known_so_far(built: Built) -> tuple[FloatArray, float]:
    """Return covariance (p, p) of the unknowns after what was read, and k; priors without their wild level.

    What is wild, readings soon show; a plan is for what is not.
    """
    model = built.model
    if len(model.rows.pattern):
        draws = draw(model, limit=np.full(len(model.quantities.kinds), np.inf))
        return draws.unknowns_covariance, float(np.mean(draws.k))
    prior = model.precision + np.diag(model.levels.usual_precision)
    return np.asarray(np.linalg.inv(prior)), K_MEDIAN


def _bodies(built: Built) -> FloatArray:
    """Return the bodies as combinations of the unknowns, shape (bodies, p)."""
    quantities = built.model.quantities
    return quantities.matrix[quantities.indices(Effect.BODY.value)]


def _wanted_um(limits: tuple[Datum, ...], target_um: float) -> FloatArray:
    """Return the half width to stop at for each body: the target, or close to its limit. [µm]"""
    return np.array(
        [target_um if limit.limit_um < target_um else limit.limit_um * NEAR_LIMIT_SHARE for limit in limits]
    )


def _choose(
    built: Built,
    variance: FloatArray,
    covariance: FloatArray,
    wanted_um: FloatArray,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[int], FloatArray]:
    """Return candidates in the order of choice, and the covariance (p, p) after them.

    Greedy: the variance removed by a set of readings has diminishing returns, for which one at a time is near
    the optimum, and the exact choice among hundreds of candidates is out of reach.
    """
    bodies = _bodies(built)
    chosen: list[int] = []
    while len(chosen) < MOST_READINGS:
        half_widths_um = np.array([half_width_um(covariance, body) for body in bodies])
        open_bodies = bodies[half_widths_um > wanted_um]
        if not len(open_bodies):
            break
        best = int(np.argmax(gain(covariance, built.candidate_design, variance, open_bodies).sum(1)))
        reach = covariance @ built.candidate_design[best]
        total = variance[best] + built.candidate_design[best] @ reach
        covariance = covariance - np.outer(reach, reach) / total
        chosen.append(best)
        if progress is not None:
            progress(len(chosen), MOST_READINGS)
    return chosen, covariance


def _gathered(observations: tuple[Observation, ...], chosen: list[int]) -> tuple[PlannedReading, ...]:
    """Group repeats, near before far, so that each distance is taped once."""
    counts = Counter(observations[i] for i in chosen)
    return tuple(
        PlannedReading(
            body=one.body,
            lens=one.lens,
            focal_mm=one.focal_mm,
            distance_mm=one.distance_mm,
            repeats=counts[one],
            axis=one.axis,
        )
        for one in sorted(counts, key=lambda one: (one.body, one.distance_mm, one.focal_mm))
    )
