"""The units of a prep as unknowns: which are remembered, which travel together, what is known of each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from shimwise.inference.model.joint_memory import Later
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.mixture import Column
from shimwise.inference.model.observations import Observation
from shimwise.inference.model.prep import LensKnowledge, Prep, UnitKnowledge
from shimwise.inference.model.priors import LEAST_LENSES_OF_SET, Effect, Levels, Priors

LATER = {Kind.BODY: Effect.BODY, Kind.LENS: Effect.LENS}
REMEMBERED = {
    Kind.BODY: Effect.BODY,
    Kind.LENS: Effect.LENS,
    Kind.SCALE: Effect.SCALE,
    Kind.SETUP: Effect.SETUP,
    Kind.AXIS: Effect.AXIS,
    Kind.STOP: Effect.STOP,
    Kind.EYE: Effect.EYE,
}
CHANGING = (Effect.BODY, Effect.LENS, Effect.EYE)
"""Effects whose remembered units have what changed since as an unknown of their own."""
WHOLE_SET = "set"
"""Name of the set when no lens of a prep is assigned to one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFacts:
    """What is known of a prep beside its readings and units.

    ``set_of_lens``: the set each lens travels with; lenses not named belong to one set. ``marks_mm``:
    engraved distances of a lens; those of the prep's lenses count too. ``setting_of_row``: readings (by row)
    from frames that share one setting of the ring. ``cell_mm_of_row``: nearest and farthest distance that
    would have been written as this reading, where the person's rounding is known from more than this prep.
    """

    set_of_lens: Mapping[str, str] = field(default_factory=dict)
    cell_mm_of_row: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    marks_mm: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    setting_of_row: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Bench:
    """A prep with its facts and priors, and the observations taken and possible, in order."""

    prep: Prep
    facts: BenchFacts
    priors: Priors
    later: Later
    observations: Sequence[Observation]
    large_sets: frozenset[str]

    @classmethod
    def of(
        cls,
        prep: Prep,
        facts: BenchFacts,
        priors: Priors,
        later: Later,
        observations: Sequence[Observation],
    ) -> "Bench":
        """Return the bench of a prep; a set that is large enough has a shift of its own.

        Remembered lenses are not counted: the joint memory contains what they share.
        """
        bench = cls(prep, facts, priors, later, observations, frozenset())
        lenses = {observation.lens for observation in observations} | set(prep.lenses)
        new = {lens for lens in lenses if not bench.has_memory(Column(Effect.LENS, lens))}
        names = [bench.set_of(lens) for lens in {bench._present_name(lens) for lens in new}]
        large = frozenset(name for name in set(names) if names.count(name) >= LEAST_LENSES_OF_SET)
        return cls(prep, facts, priors, later, observations, large)

    @property
    def marks_mm(self) -> dict[str, tuple[float, ...]]:
        """Engraved distances of each lens, where they are known. [mm]"""
        return self.prep.marks_mm | dict(self.facts.marks_mm)

    def set_of(self, lens: str) -> str:
        """Return the set that a lens travels with."""
        return self.facts.set_of_lens.get(self._present_name(lens), WHOLE_SET)

    def shifts_with_set(self, lens: str) -> bool:
        """Whether a lens's error contains the shift of its set as an unknown of its own."""
        is_new = not self.has_memory(Column(Effect.LENS, lens))
        return is_new and self.set_of(lens) in self.large_sets

    def with_memories(self, row: Mapping[Column, float]) -> dict[Column, float]:
        """Add the memories of a row's units, and what changed in their earlier states."""
        more: dict[Column, float] = {}
        for column, value in row.items():
            if self.has_memory(column):
                more[column._replace(is_memory=True)] = value
                for earlier in self._earlier_states(column):
                    more[earlier] = value
        return _without_pure_memories({**row, **more})

    def knowledge(self, column: Column) -> UnitKnowledge | None:
        """Return what is known of a column's unit beside the joint history."""
        if column.effect is Effect.BODY:
            return self.prep.bodies.get(column.name)
        return self.prep.lenses.get(column.name) if column.effect is Effect.LENS else None

    def remembered_kind(self, column: Column) -> Kind | None:
        """Return the kind under which the joint history remembers a column's unit; None when it does not."""
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

    def has_memory(self, column: Column) -> bool:
        """Whether a unit's error is its memory and what changed since."""
        if self.remembered_kind(column) is not None:
            return True
        knowledge = self.knowledge(column)
        return column.effect is Effect.BODY and knowledge is not None and knowledge.history_sd_um is not None

    def centre(self, column: Column) -> float:
        """Return what is known of an unknown beforehand; its deviation is what the sampler draws."""
        kind, knowledge = self.remembered_kind(column), self.knowledge(column)
        if kind is not None and self.prep.history is not None:
            return self.prep.history.remembered(kind, column.name).mean if column.is_memory else 0.0
        if knowledge is None or knowledge.history_sd_um is None:
            return 0.0
        is_centred = column.is_memory or column.effect is Effect.LENS
        return knowledge.history_mean_um or 0.0 if is_centred else 0.0

    def levels_of(self, column: Column) -> tuple[Levels | None, bool]:
        """Return a column's levels, None for a Gaussian one; and whether its unit has a history."""
        if column.is_memory or column.effect not in self.priors.levels:
            return None, False
        if self.has_memory(column):
            return self.priors.changed.get(column.effect), True
        knowledge = self.knowledge(column)
        if column.effect is Effect.LENS and knowledge is not None and knowledge.history_sd_um is not None:
            return self.priors.known_lens.scaled(knowledge.history_sd_um), True
        if column.effect is Effect.SET and self._is_known_set(column.name):
            return self.priors.set_of_known_lenses, True
        return self.priors.levels[column.effect], False

    def _is_known_set(self, name: str) -> bool:
        """Whether most lenses of a set have a history."""
        lenses = {one.lens for one in self.observations if self.set_of(one.lens) == name}
        known = [
            self.prep.lenses.get(lens, LensKnowledge()).history_sd_um is not None
            for lens in lenses
            if self.shifts_with_set(lens)
        ]
        return bool(known) and 2 * sum(known) > len(known)

    def _present_name(self, lens: str) -> str:
        known = self.prep.lenses.get(lens)
        return known.past_of if known is not None and known.past_of is not None else lens

    def _earlier_states(self, column: Column) -> list[Column]:
        return [
            Column(column.effect, name)
            for (kind, name), states in self.later.items()
            if LATER[kind] is column.effect and column.name in states
        ]


def later_states(prep: Prep) -> dict[tuple[Kind, str], tuple[str, ...]]:
    """Return the later states of each past state of a unit, by kind and name; a prep has them in order."""
    later: dict[tuple[Kind, str], tuple[str, ...]] = {}
    for kind, known in ((Kind.BODY, prep.bodies), (Kind.LENS, prep.lenses)):
        past: dict[str, list[str]] = {}
        for name, one in known.items():
            if one.past_of is not None:
                past.setdefault(one.past_of, []).append(name)
        for now, names in past.items():
            for place, name in enumerate(names):
                later[kind, name] = (*names[place + 1 :], now)
    return later


def _without_pure_memories(row: dict[Column, float]) -> dict[Column, float]:
    """Drop the change of units that are remembered but have no levels of change (scale, axis, stop, tape)."""
    return {
        column: value
        for column, value in row.items()
        if column.is_memory or column.effect in CHANGING or column._replace(is_memory=True) not in row
    }
