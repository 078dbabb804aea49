"""From a prep to its mixture model: columns, rows in a fixed order, priors, and what to report.

The optics of each reading come from
:class:`shimwise.inference.model.observations.ObservationContext`; rows and columns are sorted by name, so
that the order of the readings changes nothing.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmarks.candidates.mixture.model import (
    Column,
    FloatArray,
    LevelPriors,
    MixtureModel,
    Quantities,
    QuantityKind,
    Rows,
)
from benchmarks.candidates.mixture.priors import LEAST_LENSES_OF_SET, NEAR_MARK_MM, Effect, Levels, Priors
from benchmarks.candidates.mixture.rounding import Granularity, landing_intervals
from shimwise.errors import InferenceError
from shimwise.inference.model.checks import check_prep
from shimwise.inference.model.linear import Kind
from shimwise.inference.model.observations import Observation, ObservationContext
from shimwise.inference.model.prep import (
    Axis,
    BodyKnowledge,
    LensKnowledge,
    MeasuredLanding,
    Prep,
    Reading,
    UnitKnowledge,
)
from shimwise.notices import Notice
from shimwise.optics.conjugates import magnification

MOST_UNKNOWNS = 3000
MOST_PAIRS = 3000
"""With more bodies × lenses only pairs that were read are reported."""
LATER = {Kind.BODY: Effect.BODY, Kind.LENS: Effect.LENS}
REMEMBERED = {
    Kind.BODY: Effect.BODY,
    Kind.LENS: Effect.LENS,
    Kind.SCALE: Effect.SCALE,
    Kind.SETUP: Effect.SETUP,
    Kind.AXIS: Effect.AXIS,
    Kind.STOP: Effect.STOP,
}
ORDER = {effect: place for place, effect in enumerate(Effect)}
WHOLE_SET = "set"
"""Name of the set when no lens of a prep is assigned to one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFacts:
    """What is known of a prep beside its readings and units.

    ``set_of_lens``: the set each lens travels with; lenses not named belong to one set. ``marks_mm``:
    engraved distances of a lens. ``setting_of_row``: readings (by row) from frames that share one setting of
    the ring. ``cell_mm_of_row``: nearest and farthest distance that would have been written as this reading,
    where the person's rounding is known from more than this prep.
    """

    set_of_lens: Mapping[str, str] = field(default_factory=dict)
    cell_mm_of_row: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    marks_mm: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    setting_of_row: Mapping[int, str] = field(default_factory=dict)


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


def build_mixture(
    prep: Prep,
    *,
    candidates: Sequence[Reading] = (),
    facts: BenchFacts | None = None,
    priors: Priors | None = None,
    later: Mapping[tuple[Kind, str], tuple[str, ...]] | None = None,
) -> Built:
    """Mixture model of a prep.

    Parameters
    ----------
    prep : Prep
        Readings and what is known of the units.
    candidates : sequence of Reading
        Readings that could be taken; they get rows in the same columns.
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
    return _Builder.of(prep, candidates, facts or BenchFacts(), priors or Priors(), later or {}).built()


@dataclass(slots=True)
class _Builder:
    """Observations of all readings in order, and the columns that they, the candidates and the kit need."""

    prep: Prep
    facts: BenchFacts
    priors: Priors
    later: Mapping[tuple[Kind, str], tuple[str, ...]]
    context: ObservationContext
    order: list[int]
    observations: list[Observation]
    possible: list[Observation]
    middle_um: dict[tuple[str, str, float], float] = field(default_factory=dict)
    large_sets: frozenset[str] = frozenset()

    @classmethod
    def of(
        cls,
        prep: Prep,
        candidates: Sequence[Reading],
        facts: BenchFacts,
        priors: Priors,
        later: Mapping[tuple[Kind, str], tuple[str, ...]],
    ) -> "_Builder":
        context = ObservationContext.of(
            prep, [*prep.readings, *(one.by_eye() for one in prep.landings), *candidates]
        )
        observations = [*map(context.observation, prep.readings), *map(context.measured, prep.landings)]
        keys = [_sort_key(s, r, facts) for s, r in zip(observations, prep.evidence, strict=True)]
        order = sorted(range(len(observations)), key=keys.__getitem__)
        possible = sorted({context.observation(reading) for reading in candidates}, key=_observation_key)
        builder = cls(prep, facts, priors, later, context, order, [observations[i] for i in order], possible)
        builder.large_sets = builder._large_sets()
        return builder

    def built(self) -> Built:
        evidence = self.prep.evidence
        readings = [evidence[i] for i in self.order]
        low, high, granularities = landing_intervals(
            readings,
            self.observations,
            marks_mm=self.facts.marks_mm,
            cell_mm_of_row=self.facts.cell_mm_of_row,
        )
        landing = np.where(np.isfinite(high), (low + np.where(np.isfinite(high), high, low)) / 2, low)
        self._note_middles(landing)
        keys = [
            (observation, self._setting(reading))
            for observation, reading in zip(self.observations, readings, strict=True)
        ]
        distinct = list(dict.fromkeys(keys))
        place = {key: i for i, key in enumerate(distinct)}
        entries = [self._entries(observation, setting) for observation, setting in distinct]
        possible = [self._entries(observation, "") for observation in self.possible]
        columns = self._columns([*entries, *possible])
        position = {column: i for i, column in enumerate(columns)}
        persons = tuple(sorted({s.operator for s in self.observations if s.measured_sd_um is None})) or ("",)
        centre = np.array([self._centre(column) for column in columns])
        design = _dense(entries, position)
        pattern = np.array([place[key] for key in keys], dtype=np.intp)
        shift = (design @ centre)[pattern]
        model = MixtureModel(
            columns=columns,
            rows=Rows(
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
            ),
            levels=self._levels(columns),
            centre=centre,
            precision=np.zeros((len(columns), len(columns))),
            pull=np.zeros(len(columns)),
            persons=persons,
            k_median=self.priors.k_median,
            k_log_sd=self.priors.k_log_sd,
            quantities=self._quantities(columns, position, centre),
        )
        self._add_gaussian_information(model, position)
        return Built(
            model=model,
            candidates=tuple(self.possible),
            candidate_design=_dense(possible, position),
            candidate_blur_um=self._blur_um(self.possible),
            candidate_ring_um=self._ring_um(self.possible),
            granularities=granularities,
            notices=self.context.notices(),
        )

    # Rows

    def _setting(self, reading: Reading | MeasuredLanding) -> str:
        is_measured = isinstance(reading, MeasuredLanding)
        return self.facts.setting_of_row.get(reading.row, "") if is_measured else ""

    def _note_middles(self, landing: FloatArray) -> None:
        """Median landing of each body, lens and distance: what an uncertain conversion is a share of."""
        found: dict[tuple[str, str, float], list[float]] = defaultdict(list)
        for observation, value in zip(self.observations, landing, strict=True):
            found[observation.body, observation.lens, observation.distance_mm].append(float(value))
        self.middle_um = {key: float(np.median(values)) for key, values in found.items()}

    def _entries(self, observation: Observation, setting: str) -> dict[Column, float]:
        """Row of the design: µm of landing per unit of each unknown."""
        m = _magnification(observation)
        per_mm = 1e3 * m * m
        row = {
            Column(Effect.BODY, observation.body): 1.0,
            Column(Effect.LENS, observation.lens): 1.0,
            Column(Effect.SCALE, observation.lens): observation.focal_mm * m,
            Column(Effect.SETUP, observation.setup): per_mm,
            Column(Effect.BODY_REFERENCE, observation.body): per_mm,
        }
        if self._set_of(observation.lens) in self.large_sets:
            row[Column(Effect.SET, self._set_of(observation.lens))] = 1.0
        if observation.measured_sd_um is None:
            row[Column(Effect.EYE, observation.operator)] = observation.fnumber * self._coc_um(
                observation.body
            )
        if observation.axis is not None:
            row[Column(Effect.AXIS, observation.lens)] = 1.0 if observation.axis is Axis.VERTICAL else -1.0
        if observation.fnumber > self.context.widest[observation.lens]:
            row[Column(Effect.STOP, f"{observation.lens} at f/{observation.fnumber:g}")] = 1.0
        nearness = NEAR_MARK_MM / observation.distance_mm
        middle = self.middle_um.get((observation.body, observation.lens, observation.distance_mm), 0.0)
        row[Column(Effect.CONVERSION, observation.lens)] = observation.conversion_share * nearness * middle
        if setting:
            row[Column(Effect.RING_SETTING, setting)] = per_mm * _ring_growth(observation)
        row = {column: value for column, value in row.items() if value != 0.0}
        return self._with_memories(row)

    def _with_memories(self, row: dict[Column, float]) -> dict[Column, float]:
        """Add the memories of the row's units, and what changed in their earlier states."""
        more: dict[Column, float] = {}
        for column, value in row.items():
            if self._has_memory(column):
                more[column._replace(is_memory=True)] = value
                for earlier in self._earlier_states(column):
                    more[earlier] = value
        return _without_pure_memories({**row, **more})

    def _earlier_states(self, column: Column) -> list[Column]:
        return [
            Column(column.effect, name)
            for (kind, name), states in self.later.items()
            if LATER[kind] is column.effect and column.name in states
        ]

    def _blur_um(self, observations: Sequence[Observation]) -> FloatArray:
        return np.array(
            [s.fnumber * self._coc_um(s.body) if s.measured_sd_um is None else 0.0 for s in observations],
            dtype=np.float64,
        )

    def _ring_um(self, observations: Sequence[Observation]) -> FloatArray:
        """Fixed part of each error scale [µm]: the ring's, or a measured landing's own."""
        return np.array(
            [
                1e3 * self.priors.ring_scale_mm * (_m_times_distance(s) / NEAR_MARK_MM) ** 2
                if s.measured_sd_um is None
                else s.measured_sd_um
                for s in observations
            ],
            dtype=np.float64,
        )

    def _coc_um(self, body: str) -> float:
        return self.prep.bodies.get(body, BodyKnowledge()).coc_um

    # Columns

    def _columns(self, entries: Sequence[Mapping[Column, float]]) -> tuple[Column, ...]:
        found = {column for row in entries for column in row}
        for effect, names in ((Effect.BODY, self.prep.bodies), (Effect.LENS, self.prep.lenses)):
            for name in names:
                column = Column(effect, name)
                found |= set(self._with_memories({column: 1.0}))
        if len(found) > MOST_UNKNOWNS:
            raise InferenceError(
                f"The readings name more than {MOST_UNKNOWNS} bodies, lenses and set-ups. "
                "Judge them in parts, a prep at a time."
            )
        return tuple(sorted(found, key=lambda c: (ORDER[c.effect], c.name, c.is_memory)))

    def _set_of(self, lens: str) -> str:
        return self.facts.set_of_lens.get(self._present_name(lens), WHOLE_SET)

    def _large_sets(self) -> frozenset[str]:
        lenses = {observation.lens for observation in [*self.observations, *self.possible]} | set(
            self.prep.lenses
        )
        now = {self._present_name(lens) for lens in lenses}
        names = [self._set_of(lens) for lens in now]
        return frozenset(name for name in set(names) if names.count(name) >= LEAST_LENSES_OF_SET)

    def _present_name(self, lens: str) -> str:
        known = self.prep.lenses.get(lens)
        return known.past_of if known is not None and known.past_of is not None else lens

    def _knowledge(self, column: Column) -> UnitKnowledge | None:
        if column.effect is Effect.BODY:
            return self.prep.bodies.get(column.name)
        return self.prep.lenses.get(column.name) if column.effect is Effect.LENS else None

    def _remembered_kind(self, column: Column) -> Kind | None:
        """Kind under which the joint history remembers a column's unit; None when it does not."""
        history = self.prep.history
        if history is None:
            return None
        return next(
            (
                kind
                for kind, effect in REMEMBERED.items()
                if effect is column.effect and history.epoch(kind, column.name) is not None
            ),
            None,
        )

    def _has_memory(self, column: Column) -> bool:
        if self._remembered_kind(column) is not None:
            return True
        knowledge = self._knowledge(column)
        return column.effect is Effect.BODY and knowledge is not None and knowledge.history_sd_um is not None

    def _centre(self, column: Column) -> float:
        """What is known of an unknown beforehand; its deviation is what the sampler draws."""
        kind, knowledge = self._remembered_kind(column), self._knowledge(column)
        if kind is not None and self.prep.history is not None:
            return self.prep.history.remembered(kind, column.name).mean if column.is_memory else 0.0
        if knowledge is None or knowledge.history_sd_um is None:
            return 0.0
        is_centred = column.is_memory or column.effect is Effect.LENS
        return knowledge.history_mean_um or 0.0 if is_centred else 0.0

    # Priors

    def _levels(self, columns: Sequence[Column]) -> LevelPriors:
        sd, group = np.full((len(columns), 3), np.nan), np.full(len(columns), -1, dtype=np.intp)
        groups: dict[tuple[Effect, bool], int] = {}
        shares: list[tuple[float, float, float]] = []
        learned = []
        for i, column in enumerate(columns):
            levels, is_known = self._levels_of(column)
            if levels is None:
                continue
            key = (column.effect, is_known)
            if key not in groups:
                groups[key] = len(shares)
                shares.append(levels.share)
            sd[i], group[i] = levels.sd, groups[key]
            if column.effect is Effect.LENS and not is_known:
                learned.append(i)
        return LevelPriors(
            sd=sd,
            group=group,
            share=np.array(shares).reshape(-1, 3),
            concentration=self.priors.concentration,
            learned=np.array(learned, dtype=np.intp),
            healthy_sds_um=np.array(self.priors.healthy_lens_sds_um),
        )

    def _levels_of(self, column: Column) -> tuple[Levels | None, bool]:
        """Levels of a column, None for a Gaussian one; and whether its unit has a history."""
        if column.is_memory or column.effect not in self.priors.levels:
            return None, False
        if self._has_memory(column):
            return self.priors.changed.get(column.effect), True
        knowledge = self._knowledge(column)
        if column.effect is Effect.LENS and knowledge is not None and knowledge.history_sd_um is not None:
            return self.priors.known_lens.scaled(knowledge.history_sd_um), True
        if column.effect is Effect.SET and self._is_known_set(column.name):
            return self.priors.set_of_known_lenses, True
        return self.priors.levels[column.effect], False

    def _is_known_set(self, name: str) -> bool:
        """Whether most lenses of a set have a history."""
        lenses = {
            observation.lens for observation in self.observations if self._set_of(observation.lens) == name
        }
        known = [
            self._has_memory(Column(Effect.LENS, lens))
            or self.prep.lenses.get(lens, LensKnowledge()).history_sd_um is not None
            for lens in lenses
        ]
        return bool(known) and 2 * sum(known) > len(known)

    def _add_gaussian_information(self, model: MixtureModel, position: Mapping[Column, int]) -> None:
        """Memories, gauges and the plain Gaussian priors, added to the model's precision and pull."""
        precision = model.precision
        joint: list[tuple[int, Kind, str]] = []
        for column, i in position.items():
            kind = self._remembered_kind(column)
            if column.is_memory and kind is not None:
                joint.append((i, kind, column.name))
            elif model.levels.group[i] < 0:
                precision[i, i] += self._gaussian_sd(column) ** -2
        if joint and self.prep.history is not None:
            here = [self.prep.history.current(kind, name) for _, kind, name in joint]
            places = [i for i, _, _ in joint]
            precision[np.ix_(places, places)] += _inverse(self.prep.history.covariance[np.ix_(here, here)])
        for effect, known in ((Effect.BODY, self.prep.bodies), (Effect.LENS, self.prep.lenses)):
            for name in sorted(known):
                self._add_gauge(model, effect, name, known[name])

    def _gaussian_sd(self, column: Column) -> float:
        if column.is_memory:
            knowledge = self._knowledge(column)
            return (knowledge.history_sd_um if knowledge is not None else None) or 1.0
        return {
            Effect.AXIS: self.priors.axis_sd_um,
            Effect.STOP: self.priors.stop_sd_um,
            Effect.RING_SETTING: self.priors.setting_sd_mm,
        }.get(column.effect, 1.0)

    def _add_gauge(self, model: MixtureModel, effect: Effect, name: str, known: UnitKnowledge) -> None:
        if known.gauge_um is None or known.gauge_sd_um is None:
            return
        row = model.quantities.index(effect.value, name)
        reach = model.quantities.matrix[row]
        model.precision[:] += np.outer(reach, reach) / known.gauge_sd_um**2
        model.pull[:] += reach * (known.gauge_um - model.quantities.offset[row]) / known.gauge_sd_um**2

    # Quantities

    def _quantities(
        self, columns: Sequence[Column], position: Mapping[Column, int], centre: FloatArray
    ) -> Quantities:
        """Every unit's error, every pair, every difference of bodies, as combinations of the columns."""
        kinds: list[QuantityKind] = []
        rows: list[dict[Column, float]] = []

        def add(kind: str, names: tuple[str, ...], row: dict[Column, float]) -> None:
            kinds.append(QuantityKind(kind, names))
            rows.append({column: value for column, value in row.items() if column in position})

        total = {
            (effect, name): self._total(effect, name)
            for effect, name in dict.fromkeys((c.effect, c.name) for c in columns)
        }
        for (effect, name), row in total.items():
            add(effect.value, (name,), row)
        bodies = [name for effect, name in total if effect is Effect.BODY]
        lenses = [name for effect, name in total if effect is Effect.LENS]
        for body, lens in self._reported_pairs(bodies, lenses):
            add("pair", (body, lens), _sum(total[Effect.BODY, body], total[Effect.LENS, lens], 1.0))
        now = [body for body in bodies if body not in self.prep.past_bodies]
        for i, body in enumerate(now):
            for than in now[i + 1 :]:
                add(
                    "difference", (body, than), _sum(total[Effect.BODY, body], total[Effect.BODY, than], -1.0)
                )
        persons = [name for effect, name in total if effect is Effect.EYE]
        for i, person in enumerate(persons):
            for than in persons[i + 1 :]:
                row = _sum(total[Effect.EYE, person], total[Effect.EYE, than], -1.0)
                add("eye_difference", (person, than), row)
        if now and lenses:
            add("common", (), self._common(total, now, lenses))
        matrix = _dense(rows, position)
        return Quantities(tuple(kinds), matrix, matrix @ centre)

    def _total(self, effect: Effect, name: str) -> dict[Column, float]:
        """A unit's whole error: memory and change, and for a lens the shift of its set."""
        row = self._with_memories({Column(effect, name): 1.0})
        if effect is Effect.LENS and self._set_of(name) in self.large_sets:
            row[Column(Effect.SET, self._set_of(name))] = 1.0
        return row

    def _common(
        self,
        total: Mapping[tuple[Effect, str], dict[Column, float]],
        bodies: Sequence[str],
        lenses: Sequence[str],
    ) -> dict[Column, float]:
        """Landing that all bodies and lenses have in common: mean of the bodies plus mean of the lenses."""
        row: dict[Column, float] = {}
        now = [lens for lens in lenses if lens not in self.prep.past_lenses]
        for effect, names in ((Effect.BODY, bodies), (Effect.LENS, now)):
            for name in names:
                row = _sum(row, total[effect, name], 1.0 / len(names))
        return row

    def _reported_pairs(self, bodies: Sequence[str], lenses: Sequence[str]) -> list[tuple[str, str]]:
        past = self.prep.past_bodies | self.prep.past_lenses
        read = {(observation.body, observation.lens) for observation in self.observations}
        everything = [(body, lens) for body in bodies for lens in lenses]
        wanted = everything if len(everything) <= MOST_PAIRS else [one for one in everything if one in read]
        return [(body, lens) for body, lens in wanted if body not in past and lens not in past]


def _sum(one: Mapping[Column, float], other: Mapping[Column, float], sign: float) -> dict[Column, float]:
    row = dict(one)
    for column, value in other.items():
        row[column] = row.get(column, 0.0) + sign * value
    return row


def _without_pure_memories(row: dict[Column, float]) -> dict[Column, float]:
    """Drop the change of units that are remembered but have no levels of change (scale, axis, stop, tape)."""
    return {
        column: value
        for column, value in row.items()
        if column.is_memory
        or column.effect in (Effect.BODY, Effect.LENS)
        or column._replace(is_memory=True) not in row
    }


def _dense(rows: Sequence[Mapping[Column, float]], position: Mapping[Column, int]) -> FloatArray:
    design = np.zeros((len(rows), len(position)))
    for i, row in enumerate(rows):
        for column, value in row.items():
            design[i, position[column]] = value
    return design


def _sort_key(
    observation: Observation, reading: Reading | MeasuredLanding, facts: BenchFacts
) -> tuple[object, ...]:
    return (
        *_observation_key(observation),
        facts.setting_of_row.get(reading.row, ""),
        reading.landing_um if isinstance(reading, MeasuredLanding) else reading.reading_mm,
    )


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


def _magnification(observation: Observation) -> float:
    return float(
        magnification(
            focal_mm=observation.focal_mm,
            distance_mm=observation.distance_mm,
            separation_mm=observation.separation_mm,
        )
    )


def _m_times_distance(observation: Observation) -> float:
    """m·D [mm], finite at infinity where it is the focal length."""
    return (
        observation.focal_mm
        if math.isinf(observation.distance_mm)
        else _magnification(observation) * observation.distance_mm
    )


def _ring_growth(observation: Observation) -> float:
    """How a setting's error in object space grows from 3 ft: as D²."""
    return (min(observation.distance_mm, 1e7) / NEAR_MARK_MM) ** 2


def _inverse(covariance: FloatArray) -> FloatArray:
    """Inverse of a covariance, scaled first; a relative 1e-9 of the diagonal keeps it positive."""
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd) + 1e-9 * np.eye(len(sd))
    return np.asarray(np.linalg.inv(correlation) / np.outer(sd, sd))
