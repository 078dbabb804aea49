"""Plan a check: which lenses, distances and repeats make every body known to ±x µm, or why none can.

Histories are used as given; whether they fit is tested once there are readings. Readings are put in order one
at a time, each the one that removes most variance from the bodies that are still too uncertain. How many of
them it takes is found by :mod:`.promise`: the plan's half width is kept in 9 of 10 preps.

A plan keeps to the trade's habits (common practice, no source): at least two lenses at each of two distances,
lenses wide open, near before far.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.errors import InferenceError
from shimwise.inference.model.bench import later_states
from shimwise.inference.model.candidates import (
    MOST_CANDIDATES,
    SAME_DISTANCE_SHARE,
    USUAL_DISTANCES_MM,
    as_pictures,
    possible_readings,
)
from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.observations import Observation
from shimwise.inference.model.prep import Axis, Prep, Reading
from shimwise.inference.model.priors import K_MEDIAN, Effect
from shimwise.inference.model.rounding import cell_between_marks
from shimwise.inference.plan.promise import DrawnPreps
from shimwise.inference.posterior.draws import draw
from shimwise.inference.verdict.answer import Z95
from shimwise.inference.verdict.datum import HalfWidthLimit, body_limits, half_width_um, limit_covariance
from shimwise.inference.verdict.next_readings import gain, rounding_um, variance_of

MOST_READINGS = 300
"""A plan longer than this is no plan."""
NEAR_LIMIT_SHARE = 1.15
"""If no readings can reach the target, the plan stops at this multiple of the limit."""
KEPT = 0.9
"""Share of preps in which the half width that a plan promises is kept."""
LEAST_DISTANCES, LEAST_LENSES = 2, 2
"""A body is read at so many distances at least, with so many lenses at each. Common practice, no source."""
PARTS_OF_A_GAP = 4
"""A ring with known marks is read to a quarter of the gap between two. Common practice, no source."""
WHOLE_SHARE = 1.3
"""By picture bodies, lenses and pairs are to be known to this share of the tolerance (95 %): what is near its
edge then, the verdict asks for next. Chosen on simulated preps."""
MOST_TRIALS = 4
"""Lengths of the plan that are tried on drawn preps."""


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
    """95 % half width of a body after a plan, in 9 of 10 preps and in the middle one, and its limit. [µm]

    ``limit_um``: for infinitely many readings of a usual prep.
    """

    name: str
    half_width_um: float
    median_um: float
    limit_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole check: what to read, what it reaches, and what limits it.

    ``rule_um``: what as many readings of each body's four widest lenses, all at its farthest distance, reach
    on the least known body in 9 of 10 preps; None without readings, or where it was not asked for. [µm]
    ``is_by_picture``: whether its readings are landings by picture. ``worth``: for each lens how many
    readings by eye one landing by picture is worth, at the distance where it is worth least.
    """

    target_um: float
    is_reached: bool
    readings: tuple[PlannedReading, ...]
    bodies: tuple[PlannedBody, ...]
    limits: tuple[HalfWidthLimit, ...]
    rule_um: float | None = None
    is_by_picture: bool = False
    worth: Mapping[str, float] = field(default_factory=dict)

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
    is_by_picture: bool = False,
    has_rule: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Plan:
    """Plan the readings that make every body known to ±``target_um`` (95 %).

    By picture the plan is of the whole prep: it ends once every lens, and every lens on every body, is known
    well enough for the verdict to show what decides the rest.

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
    is_by_picture : bool
        Whether landings are measured by picture, not read by eye.
    has_rule : bool
        Whether the plain rule is worked out beside the plan, which takes a third of the time.
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
    if distances_mm == USUAL_DISTANCES_MM:
        possible = _engraved(prep, possible)
    by_eye, by_picture = (
        build_mixture(prep, candidates=candidates, later=later_states(prep))
        for candidates in (possible, as_pictures(possible))
    )
    built = by_picture if is_by_picture else by_eye
    widths_um = _widths_um(prep, built)
    limits = body_limits(built)
    goals = _Goals.of(built, limits, whole_um=WHOLE_SHARE * prep.tolerance_um if is_by_picture else None)
    trials = _Trials(built, widths_um, goals, target_um=target_um, k=k, progress=progress)
    chosen, half_widths_um = trials.shortest()
    promised, median = np.quantile(half_widths_um, KEPT, axis=0), np.median(half_widths_um, axis=0)
    return Plan(
        target_um=target_um,
        is_reached=bool(np.all(promised <= target_um)),
        readings=_gathered(built.candidates, chosen),
        bodies=tuple(
            PlannedBody(
                name=limit.body,
                half_width_um=float(promised[i]),
                median_um=float(median[i]),
                limit_um=min(limit.limit_um, float(promised[i])),
            )
            for i, limit in enumerate(limits)
        ),
        limits=limits,
        rule_um=trials.rule_um(len(chosen)) if has_rule else None,
        is_by_picture=is_by_picture,
        worth=_worth(by_eye, by_picture, _widths_um(prep, by_eye), k=K_MEDIAN if k is None else k),
    )


def _worth(by_eye: Built, by_picture: Built, widths_um: FloatArray, *, k: float) -> dict[str, float]:
    """Return for each lens how many readings a picture is worth: the ratio of their variances, the least."""
    eye = variance_of(by_eye, k, widths_um)
    picture = variance_of(by_picture, k, rounding_um(by_picture))
    measured = {_sight(one): float(um2) for one, um2 in zip(by_picture.candidates, picture, strict=True)}
    worth: dict[str, float] = {}
    by_focal = sorted(zip(by_eye.candidates, eye, strict=True), key=lambda one: one[0].focal_mm)
    for one, um2 in by_focal:
        worth[one.lens] = min(worth.get(one.lens, np.inf), float(um2) / measured[_sight(one)])
    return worth


def _sight(one: Observation) -> tuple[object, ...]:
    return one.body, one.lens, one.distance_mm, one.focal_mm, one.axis


def _engraved(prep: Prep, possible: Sequence[Reading]) -> tuple[Reading, ...]:
    """Leave out distances that a lens has not engraved, where its marks are known and some distance is."""
    marks_mm = prep.marks_mm

    def is_engraved(one: Reading) -> bool:
        return one.lens not in marks_mm or any(
            abs(one.distance_mm / mark_mm - 1) <= SAME_DISTANCE_SHARE for mark_mm in marks_mm[one.lens]
        )

    kept = tuple(one for one in possible if is_engraved(one))
    lost = {one.lens for one in possible} - {one.lens for one in kept}
    return (*kept, *(one for one in possible if one.lens in lost))


def _widths_um(prep: Prep, built: Built) -> FloatArray:
    """Widths (c,) of the candidates' intervals: the usual step, or parts of a gap where wider. [µm]"""
    widths_um, marks_mm = rounding_um(built), prep.marks_mm
    for i, one in enumerate(built.candidates):
        if one.lens in marks_mm and np.isfinite(one.distance_mm) and one.measured_sd_um is None:
            nearest_mm, farthest_mm = cell_between_marks(one.distance_mm, marks_mm[one.lens], PARTS_OF_A_GAP)
            cell_mm = one.distance_mm**2 * (1 / nearest_mm - 1 / farthest_mm)
            widths_um[i] = max(widths_um[i], 1e3 * one.magnification**2 * cell_mm)
    return widths_um


class _Trials:
    """Plans of growing length, on drawn preps."""

    def __init__(
        self,
        built: Built,
        widths_um: FloatArray,
        goals: "_Goals",
        *,
        target_um: float,
        k: float | None,
        progress: Callable[[int, int], None] | None,
    ) -> None:
        covariance, read_k = _known_so_far(built)
        variance = variance_of(built, k if k is not None else read_k, widths_um)
        self.target_um = target_um
        self.order, self.added_um, whole = _order(built, variance, covariance, goals, progress)
        self.least = max(LEAST_DISTANCES * LEAST_LENSES * len(goals.bodies), whole)
        self.drawn = DrawnPreps(built, widths_um, k=k)

    def shortest(self) -> tuple[list[int], FloatArray]:
        """Return the readings of a short plan that keeps its promise, and half widths (preps, bodies).

        Adding variances is wrong by a factor that hardly changes with the length; so each trial
        gives the length of the next. Without one that is long enough it is the longest.
        """
        factor = 1.0
        best: int | None = None
        tried: dict[int, FloatArray] = {}
        for _ in range(MOST_TRIALS):
            enough = np.flatnonzero(self.added_um * factor <= self.target_um)
            count = int(enough[0]) if len(enough) else len(self.order)
            count = max(count, min(self.least, len(self.order))) if count else 0
            if count in tried:
                break
            tried[count] = self.drawn.half_widths_um(Counter(self.order[:count]))
            kept_um = float(np.quantile(tried[count], KEPT, axis=0).max())
            if kept_um <= self.target_um and (best is None or count < best):
                best = count
            factor = kept_um / self.added_um[count]
        if best is None and len(self.order) not in tried:
            tried[len(self.order)] = self.drawn.half_widths_um(Counter(self.order))
        count = max(tried) if best is None else best
        return self.order[:count], tried[count]

    def rule_um(self, count: int) -> float | None:
        """Half width kept on the least known body by the plain rule, with as many readings. [µm]"""
        by_rule = [
            i
            for body in {one.body: None for one in self.drawn.built.candidates}
            for i in _four_widest(self.drawn.built.candidates, body)
        ]
        if not count or not by_rule:
            return None
        repeats = Counter(by_rule[i % len(by_rule)] for i in range(count))
        return float(np.quantile(self.drawn.half_widths_um(repeats), KEPT, axis=0).max())


def _four_widest(candidates: Sequence[Observation], body: str) -> list[int]:
    """Return the candidates of a body's four widest lenses, all at its farthest distance."""
    own = [i for i, one in enumerate(candidates) if one.body == body]
    farthest_mm = max((candidates[i].distance_mm for i in own), default=0.0)
    widest = sorted(
        (i for i in own if candidates[i].distance_mm == farthest_mm), key=lambda i: candidates[i].focal_mm
    )
    return widest[:4]


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


@dataclass(frozen=True, slots=True)
class _Goals:
    """What is to be known: combinations (g, p) of the unknowns, the bodies first, and how well (g,). [µm]"""

    bodies: tuple[str, ...]
    matrix: FloatArray
    wanted_um: FloatArray

    @classmethod
    def of(cls, built: Built, limits: tuple[HalfWidthLimit, ...], *, whole_um: float | None) -> "_Goals":
        """Bodies near their limits; with ``whole_um`` lenses and pairs to that as well, or near theirs."""
        quantities = built.model.quantities
        rows = list(quantities.indices(Effect.BODY.value))
        wanted = [NEAR_LIMIT_SHARE * limit.limit_um for limit in limits]
        if whole_um is not None:
            others = [*quantities.indices(Effect.LENS.value), *quantities.indices("pair")]
            covariance = limit_covariance(built)
            wanted = [max(um, whole_um) for um in wanted]
            wanted += [
                max(whole_um, NEAR_LIMIT_SHARE * half_width_um(covariance, quantities.matrix[row]))
                for row in others
            ]
            rows += others
        return cls(tuple(limit.body for limit in limits), quantities.matrix[rows], np.array(wanted))


def _order(
    built: Built,
    variance: FloatArray,
    covariance: FloatArray,
    goals: "_Goals",
    progress: Callable[[int, int], None] | None,
) -> tuple[list[int], FloatArray, int]:
    """Return candidates in the order of choice, and after how many of them all goals are reached.

    Between the two the widest half width (m + 1,) of the bodies after each. [µm]

    Greedy: the variance removed by a set of readings has diminishing returns, for which one at a time is near
    the optimum, and the exact choice among hundreds of candidates is out of reach. It ends where all goals
    are reached.
    """
    count, habits = len(goals.bodies), _Habits(built, goals.bodies)
    chosen: list[int] = []
    widest_um: list[float] = []
    whole = 0
    while True:
        half_um = Z95 * np.sqrt(np.einsum("ip,pq,iq->i", goals.matrix, covariance, goals.matrix))
        widest_um.append(float(half_um[:count].max(initial=0.0)))
        is_open = half_um > goals.wanted_um
        whole = len(chosen) if np.any(is_open[count:]) else whole
        unread = habits.unread() if len(half_um) > count else np.zeros(len(variance), dtype=np.bool_)
        whole = len(chosen) if unread.any() else whole
        if len(chosen) == MOST_READINGS or not (np.any(is_open) or unread.any()):
            return chosen, np.array(widest_um), whole + 1 if len(half_um) > count else 0
        wanted = goals.matrix[is_open] if np.any(is_open) else goals.matrix
        gains = gain(covariance, built.candidate_design, variance, wanted).sum(1)
        allowed = unread if not np.any(is_open) else habits.allowed(int(np.argmax(half_um[:count])))
        best = int(np.argmax(np.where(allowed, gains, -1.0)))
        reach = covariance @ built.candidate_design[best]
        total = variance[best] + built.candidate_design[best] @ reach
        covariance = covariance - np.outer(reach, reach) / total
        chosen.append(best)
        habits.add(best)
        if progress is not None:
            progress(len(chosen), MOST_READINGS)


class _Habits:
    """The first readings of each body: two lenses at each of two distances, where there are as many."""

    def __init__(self, built: Built, bodies: Sequence[str]) -> None:
        self.candidates, self.bodies = built.candidates, bodies
        self.read: dict[str, list[tuple[float, str]]] = {body: [] for body in bodies}

    def add(self, candidate: int) -> None:
        """Count a reading."""
        one = self.candidates[candidate]
        self.read[one.body].append((one.distance_mm, one.lens))

    def unread(self) -> BoolArray:
        """Whether each candidate (c,) is of a body or a lens that is not in the plan yet."""
        read = {lens for each in self.read.values() for _, lens in each}
        return np.array([not self.read[one.body] or one.lens not in read for one in self.candidates])

    def allowed(self, widest: int) -> BoolArray:
        """Whether each candidate (c,) may be read next; all may once the least is done."""
        for body in (self.bodies[widest], *self.bodies):
            allowed = self._least(body)
            if allowed.any():
                return allowed
        return np.ones(len(self.candidates), dtype=np.bool_)

    def _least(self, body: str) -> BoolArray:
        """Candidates (c,) of a body that its least check still needs; none once it is done."""
        lenses: dict[float, set[str]] = {}
        for distance_mm, lens in self.read[body]:
            lenses.setdefault(distance_mm, set()).add(lens)
        begun = [distance_mm for distance_mm, read in lenses.items() if len(read) < LEAST_LENSES]
        is_done = len(lenses) >= LEAST_DISTANCES
        return np.array(
            [
                one.body == body
                and one.lens not in lenses.get(one.distance_mm, ())
                and (one.distance_mm in begun if begun else not is_done and one.distance_mm not in lenses)
                for one in self.candidates
            ]
        )


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
