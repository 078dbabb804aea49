"""Plan a check: which lenses, distances and repeats make every body known to ±x µm, or why none can.

Histories are taken as told: whether they fit is seen once there are readings. Readings are chosen one at a
time, each the one that takes most variance off the bodies still too uncertain, then gathered into repeats. No
landing is needed for it: in a linear model the uncertainty that readings leave does not depend on what they
will say.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shimwise.errors import InferenceError
from shimwise.inference.model.assemble import Candidates, build_model
from shimwise.inference.model.candidates import MOST_CANDIDATES, USUAL_DISTANCES_MM, possible_readings
from shimwise.inference.model.linear import FloatArray, Kind, Model
from shimwise.inference.model.observations import Sight
from shimwise.inference.model.prep import Axis, Prep
from shimwise.inference.posterior.information_gain import after, gain, variance_of
from shimwise.inference.posterior.robust import K_MEDIAN, robust_posterior
from shimwise.inference.verdict.answer import Z95
from shimwise.inference.verdict.datum import Datum, body_limits

MOST_READINGS = 300
"""A plan longer than this is no plan."""
NEAR_LIMIT_SHARE = 1.15
"""Where no readings can reach the target, the plan stops this close to what they can."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedReading:
    """One sight of a plan and how often to repeat it; ``axis`` of an anamorphic picture."""

    body: str
    lens: str
    focal_mm: float
    distance_mm: float
    repeats: int
    axis: Axis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedBody:
    """What a plan leaves on a body: 95 % half width, and the best that readings without end could do. [µm]"""

    name: str
    half_width_um: float
    limit_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole check: what to read, what it reaches, and what stands in the way."""

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
        The reader's focusing spread as a share of N·c; what the readings say, or the usual, when not given.
    progress : callable, optional
        Told the number of readings chosen so far and the most there can be.

    Raises
    ------
    InferenceError
        When the target is not positive, or no lens or no body is known.
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
            f"{len(possible)} different readings are possible; at most {MOST_CANDIDATES} can be weighed. "
            "Plan for fewer bodies, lenses or distances at a time."
        )
    model, candidates = build_model(prep, candidates=possible)
    posterior = robust_posterior(model).as_told()
    limits = body_limits(model, candidates)
    reader = k if k is not None else float(np.mean(posterior.k)) if len(posterior.k) else K_MEDIAN
    variance = variance_of(candidates, reader)
    wanted = _wanted_um(limits, target_um)
    chosen, covariance = _choose(model, candidates, variance, posterior.covariance, wanted, progress)
    reached = tuple(
        PlannedBody(
            name=limit.body, half_width_um=_half_width_um(covariance, column), limit_um=limit.limit_um
        )
        for limit, column in zip(limits, model.indices(Kind.BODY), strict=True)
    )
    return Plan(
        target_um=target_um,
        is_reached=all(body.half_width_um <= target_um for body in reached),
        readings=_gathered(candidates.sights, chosen),
        bodies=reached,
        limits=limits,
    )


def _wanted_um(limits: tuple[Datum, ...], target_um: float) -> FloatArray:
    """Half width to stop at for each body: the target, or close to what is possible at all. [µm]"""
    return np.array(
        [target_um if limit.limit_um < target_um else limit.limit_um * NEAR_LIMIT_SHARE for limit in limits]
    )


def _choose(
    model: Model,
    candidates: Candidates,
    variance: FloatArray,
    covariance: FloatArray,
    wanted_um: FloatArray,
    progress: Callable[[int, int], None] | None,
) -> tuple[list[int], FloatArray]:
    """Candidates in the order they are chosen, and the covariance (p, p) that they leave."""
    bodies = np.array(model.indices(Kind.BODY))
    chosen: list[int] = []
    while len(chosen) < MOST_READINGS:
        half_width_um = Z95 * np.sqrt(np.diag(covariance)[bodies])
        open_bodies = bodies[half_width_um > wanted_um]
        if not len(open_bodies):
            break
        best = int(np.argmax(gain(covariance, candidates.design, variance, open_bodies).sum(1)))
        covariance = after(covariance, candidates.design[best], float(variance[best]))
        chosen.append(best)
        if progress is not None:
            progress(len(chosen), MOST_READINGS)
    return chosen, covariance


def _half_width_um(covariance: FloatArray, column: int) -> float:
    return float(Z95 * np.sqrt(covariance[column, column]))


def _gathered(sights: tuple[Sight, ...], chosen: list[int]) -> tuple[PlannedReading, ...]:
    """Repeats together, near before far, so that a chart is taped once."""
    counts = {i: chosen.count(i) for i in dict.fromkeys(chosen)}
    order = sorted(counts, key=lambda i: (sights[i].body, sights[i].distance_mm, sights[i].focal_mm))
    return tuple(
        PlannedReading(
            body=sights[i].body,
            lens=sights[i].lens,
            focal_mm=sights[i].focal_mm,
            distance_mm=sights[i].distance_mm,
            repeats=counts[i],
            axis=sights[i].axis,
        )
        for i in order
    )
