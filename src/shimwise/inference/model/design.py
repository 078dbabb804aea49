"""From a prep to its mixture model: columns, and rows in a fixed order.

The optics of each reading come from :class:`.observations.ObservationContext`; rows and columns are sorted by
name, so that the order of the readings changes nothing.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import InferenceError
from shimwise.inference.model.bench import Bench, BenchFacts
from shimwise.inference.model.checks import check_prep
from shimwise.inference.model.column_priors import gaussian_information, level_priors
from shimwise.inference.model.joint_memory import NO_LATER, Later
from shimwise.inference.model.mixture import Column, MixtureModel, Rows
from shimwise.inference.model.observations import Observation, ObservationContext
from shimwise.inference.model.prep import Axis, MeasuredLanding, Prep, Reading
from shimwise.inference.model.priors import Effect, Priors
from shimwise.inference.model.quantities import dense, reported_quantities
from shimwise.inference.model.rounding import Granularity, landing_intervals
from shimwise.notices import Notice
from shimwise.optics.ring_setting import NEAR_MARK_MM

MOST_UNKNOWNS = 3000
ORDER = {effect: place for place, effect in enumerate(Effect)}
Landings = dict[tuple[str, str, float], float]


@dataclass(frozen=True, slots=True)
class Built:
    """A model; rows (c, p) of candidate readings, their N·c and ring scale (c,); and facts for notices."""

    model: MixtureModel
    candidates: tuple[Observation, ...]
    candidate_design: FloatArray
    candidate_blur_um: FloatArray
    candidate_ring_um: FloatArray
    granularities: tuple[Granularity, ...]
    notices: tuple[Notice, ...]
    priors: Priors

    def offering(self, *, by_picture: bool) -> "Built":
        """Return it with those candidates alone that are measured by picture, or those read by eye."""
        kept = [(one.measured_sd_um is not None) == by_picture for one in self.candidates]
        return replace(
            self,
            candidates=tuple(one for one, is_kept in zip(self.candidates, kept, strict=True) if is_kept),
            candidate_design=self.candidate_design[kept],
            candidate_blur_um=self.candidate_blur_um[kept],
            candidate_ring_um=self.candidate_ring_um[kept],
        )


def build_mixture(
    prep: Prep,
    *,
    candidates: Sequence[Reading | MeasuredLanding] = (),
    facts: BenchFacts | None = None,
    priors: Priors | None = None,
    later: Later = NO_LATER,
) -> Built:
    """Return the mixture model of a prep.

    Parameters
    ----------
    prep : Prep
        Readings and what is known of the units.
    candidates : sequence of Reading or MeasuredLanding
        What could be taken by eye or by picture; they get rows in the same columns. By picture each is of a
        setting of the ring of its own, whose error is part of its own.
    facts : BenchFacts, optional
        Sets, marks, shared settings.
    priors : Priors, optional
        Of the house; starting values when not given.
    later : mapping, optional
        A unit's states after adjustments, by the earlier state: what changed the earlier moved them too.

    Raises
    ------
    InferenceError
        When there is nothing to judge, a number is impossible, or there are too many unknowns.
    OpticsError
        When a distance or reading lies inside the near limit of its lens.
    """
    check_prep(prep)
    if not (prep.evidence or candidates or prep.bodies or prep.lenses):
        raise InferenceError("There is nothing to judge: no reading, no gauge and no unit. Add a reading.")
    facts = facts or BenchFacts()
    priors = priors or Priors()
    seen = (
        one.by_eye() if isinstance(one, MeasuredLanding) else one for one in (*prep.evidence, *candidates)
    )
    context = ObservationContext.of(prep, list(seen))
    taken = [*map(context.observation, prep.readings), *map(context.measured, prep.landings)]
    keys = [_sort_key(s, r, facts) for s, r in zip(taken, prep.evidence, strict=True)]
    order = sorted(range(len(taken)), key=keys.__getitem__)
    possible = sorted(
        {context.possible(one, setting_sd_mm=priors.setting_sd_mm) for one in candidates},
        key=_observation_key,
    )
    observations = [taken[i] for i in order]
    bench = Bench.of(prep, facts, priors, later, [*observations, *possible])
    return _Builder(bench, context, order, observations, possible).built()


@dataclass(slots=True)
class _Builder:
    """Observations of all readings in order, and the rows that they and the candidates need."""

    bench: Bench
    context: ObservationContext
    order: list[int]
    observations: list[Observation]
    possible: list[Observation]

    def built(self) -> Built:
        bench = self.bench
        evidence = bench.prep.evidence
        readings = [evidence[i] for i in self.order]
        low, high, granularities = landing_intervals(
            readings,
            self.observations,
            marks_mm=bench.marks_mm,
            cell_mm_of_row=bench.facts.cell_mm_of_row,
        )
        landing = np.array(
            [
                one.landing_um if isinstance(one, MeasuredLanding) else seen.landing_um(one.reading_mm)
                for one, seen in zip(readings, self.observations, strict=True)
            ],
            dtype=np.float64,
        )
        middles = _middle_landings(self.observations, landing)
        keys = [
            (observation, _setting(reading, bench.facts))
            for observation, reading in zip(self.observations, readings, strict=True)
        ]
        distinct = list(dict.fromkeys(keys))
        place = {key: i for i, key in enumerate(distinct)}
        entries = [self._entries(observation, setting, middles) for observation, setting in distinct]
        possible = [self._entries(observation, "", middles) for observation in self.possible]
        columns = self._columns([*entries, *possible])
        position = {column: i for i, column in enumerate(columns)}
        persons = tuple(sorted({s.operator for s in self.observations if s.measured_sd_um is None})) or ("",)
        centre = np.array([bench.centre(column) for column in columns])
        design = dense(entries, position)
        pattern = np.array([place[key] for key in keys], dtype=np.intp)
        shift = (design @ centre)[pattern]
        rows = Rows(
            design=design,
            pattern=pattern,
            low_um=low - shift,
            high_um=high - shift,
            landing_um=landing,
            blur_um=self._blur_um([observation for observation, _ in distinct]),
            ring_um=self._ring_um([observation for observation, _ in distinct]),
            person=np.array(
                [persons.index(s.operator) if s.operator in persons else 0 for s, _ in distinct],
                dtype=np.intp,
            ),
            reading=np.array(self.order, dtype=np.intp),
            setups=tuple(observation.setup for observation, _ in distinct),
        )
        levels = level_priors(bench, columns)
        quantities = reported_quantities(bench, columns, position, centre)
        precision, pull = gaussian_information(bench, position, levels, quantities)
        return Built(
            model=MixtureModel(
                columns=columns,
                rows=rows,
                levels=levels,
                centre=centre,
                precision=precision,
                pull=pull,
                persons=persons,
                k_median=bench.priors.k_median,
                k_log_sd=bench.priors.k_log_sd,
                quantities=quantities,
            ),
            candidates=tuple(self.possible),
            candidate_design=dense(possible, position),
            candidate_blur_um=self._blur_um(self.possible),
            candidate_ring_um=self._ring_um(self.possible),
            granularities=granularities,
            notices=self.context.notices(),
            priors=bench.priors,
        )

    def _entries(self, observation: Observation, setting: str, middles: Landings) -> dict[Column, float]:
        """Return the row of the design: µm of landing per unit of each unknown."""
        bench, m = self.bench, observation.magnification
        per_mm = 1e3 * m * m
        row = {
            Column(Effect.BODY, observation.body): 1.0,
            Column(Effect.LENS, observation.lens): 1.0,
            Column(Effect.SCALE, observation.lens): observation.focal_mm * m,
            Column(Effect.SETUP, observation.setup): per_mm,
            Column(Effect.BODY_REFERENCE, observation.body): per_mm,
        }
        if bench.shifts_with_set(observation.lens):
            row[Column(Effect.SET, bench.set_of(observation.lens))] = 1.0
        if observation.measured_sd_um is None:
            blur_um = observation.fnumber * bench.prep.coc_um(observation.body)
            row[Column(Effect.EYE, observation.operator)] = blur_um
        if observation.axis is not None:
            row[Column(Effect.AXIS, observation.lens)] = 1.0 if observation.axis is Axis.VERTICAL else -1.0
        if observation.fnumber > self.context.widest[observation.lens]:
            row[Column(Effect.STOP, f"{observation.lens} at f/{observation.fnumber:g}")] = 1.0
        nearness = NEAR_MARK_MM / observation.distance_mm
        middle = middles.get((observation.body, observation.lens, observation.distance_mm), 0.0)
        row[Column(Effect.CONVERSION, observation.lens)] = observation.conversion_share * nearness * middle
        if setting:
            row[Column(Effect.RING_SETTING, setting)] = observation.setting_um_per_mm
        row = {column: value for column, value in row.items() if value != 0.0}
        return bench.with_memories(row)

    def _blur_um(self, observations: Sequence[Observation]) -> FloatArray:
        return np.array(
            [
                s.fnumber * self.bench.prep.coc_um(s.body) if s.measured_sd_um is None else 0.0
                for s in observations
            ],
            dtype=np.float64,
        )

    def _ring_um(self, observations: Sequence[Observation]) -> FloatArray:
        """Return the fixed part of each error scale [µm]: the ring's, or a measured landing's own."""
        scale_mm = self.bench.priors.ring_scale_mm
        return np.array(
            [
                scale_mm * s.setting_um_per_mm if s.measured_sd_um is None else s.measured_sd_um
                for s in observations
            ],
            dtype=np.float64,
        )

    def _columns(self, entries: Sequence[Mapping[Column, float]]) -> tuple[Column, ...]:
        found = {column for row in entries for column in row}
        for effect, names in ((Effect.BODY, self.bench.prep.bodies), (Effect.LENS, self.bench.prep.lenses)):
            for name in names:
                found |= set(self.bench.with_memories({Column(effect, name): 1.0}))
        if len(found) > MOST_UNKNOWNS:
            raise InferenceError(
                f"The readings name more than {MOST_UNKNOWNS} bodies, lenses and set-ups. "
                "Judge them in parts, a prep at a time."
            )
        return tuple(sorted(found, key=lambda c: (ORDER[c.effect], c.name, c.is_memory)))


def _middle_landings(observations: Sequence[Observation], landing: FloatArray) -> Landings:
    """Return the median landing of each body, lens and distance: an uncertain conversion is a share of it."""
    found: dict[tuple[str, str, float], list[float]] = defaultdict(list)
    for observation, value in zip(observations, landing, strict=True):
        found[observation.body, observation.lens, observation.distance_mm].append(float(value))
    return {key: float(np.median(values)) for key, values in found.items()}


def _sort_key(
    observation: Observation, reading: Reading | MeasuredLanding, facts: BenchFacts
) -> tuple[object, ...]:
    return (
        *_observation_key(observation),
        _setting(reading, facts),
        reading.landing_um if isinstance(reading, MeasuredLanding) else reading.reading_mm,
    )


def _setting(reading: Reading | MeasuredLanding, facts: BenchFacts) -> str:
    """Return the setting of the ring that a measured landing shares, empty for none and for readings.

    A name is that of one lens at one distance: the same name elsewhere is another setting.
    """
    if not isinstance(reading, MeasuredLanding):
        return ""
    if reading.setting:
        return f"{reading.lens} at {reading.distance_mm:g} mm: {reading.setting}"
    return facts.setting_of_row.get(reading.row, "")


def _observation_key(observation: Observation) -> tuple[object, ...]:
    return (
        observation.body,
        observation.lens,
        observation.setup,
        observation.operator,
        observation.distance_mm,
        observation.focal_mm,
        observation.separation_mm,
        observation.fnumber,
        str(observation.axis or ""),
        observation.conversion_share,
        -1.0 if observation.measured_sd_um is None else observation.measured_sd_um,
    )
