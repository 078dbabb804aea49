"""What goes which way when a machine comes home: decided from what both have, and what both had, alone.

Pure: entries in, steps out. Whatever was changed on both sides is no step but a difference, which a person
decides; readings of an open prep are joined, and a signed prep wins over an open one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import Any

from shimwise.fields import build_from
from shimwise.record.exchange.sync_rows import Entry
from shimwise.record.names import name_key
from shimwise.record.tables.rows import SyncMarkRow

KINDS = ("body", "lens", "set", "prep")
"""In the order in which they go: each needs only those before it."""
CLOCK_S = 60.0
"""Clocks that differ by more are reported. [s]"""
UNITS = frozenset({"body", "lens"})


class Way(StrEnum):
    """Which way something goes: from this machine home, from home here, or both."""

    HOME = "home"
    HERE = "here"
    BOTH = "both"
    NONE = "none"


class WaitingCause(StrEnum):
    """Why something waits for a person."""

    CHANGED_BOTH = "changed_on_both_sides"
    SAME_NAME = "same_name"
    ADJUSTED_BOTH = "adjusted_on_both_sides"
    SIGNED_BOTH = "signed_on_both_sides"
    NEEDS_UNIT = "needs_a_unit_that_waits"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldDifference:
    """A field with its two values, as standard JSON."""

    field: str
    here: Any
    home: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """Something that neither side gets until a person has decided; ``reason``: of a refusal, in words."""

    kind: str
    id: str
    name: str
    cause: WaitingCause
    fields: tuple[FieldDifference, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncStep:
    """One unit, set or prep that goes one way, or is joined; ``is_new``: the other side has none of it."""

    way: Way
    kind: str
    id: str
    name: str
    here: Entry | None
    home: Entry | None
    is_new: bool = False
    base: Mapping[str, Any] | None = None
    keep: Way | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncPlan:
    """What is to be done, in its order. ``same``: entries alike on both sides, whose marks are to be kept."""

    steps: tuple[SyncStep, ...]
    waiting: tuple[Waiting, ...]
    same: tuple[tuple[Entry, Entry], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """What a person chose where both sides changed: one side for all, or by the name or id of each."""

    for_all: Way | None = None
    by_name: Mapping[str, Way] = field(default_factory=dict)

    @classmethod
    def chosen(cls, for_all: Way | None, by_name: Mapping[str, Way]) -> "Keep":
        """Return what was chosen by names as people type them."""
        return cls(for_all=for_all, by_name={name_key(name): way for name, way in by_name.items()})

    def of(self, entry: Entry) -> Way | None:
        """Return the side chosen for an entry, or None if a person has to choose."""
        chosen = self.by_name.get(name_key(entry.name)) or self.by_name.get(entry.id)
        return chosen or self.for_all

    def strangers(self, entries: Iterable[Entry]) -> list[str]:
        """Return what was named that is neither the name nor the id of one of these."""
        known = {key for entry in entries for key in (name_key(entry.name), entry.id)}
        return [name for name in self.by_name if name not in known]


def plan(
    here: Iterable[Entry],
    home: Iterable[Entry],
    marks: Mapping[str, SyncMarkRow],
    *,
    keep: Keep | None = None,
    ordered: frozenset[str] = frozenset(),
) -> SyncPlan:
    """Decide what goes which way.

    Parameters
    ----------
    here, home : iterable of Entry
        What this machine has, and what its home has of that, with what it gives along.
    marks : mapping of str to SyncMarkRow
        What both had when they were last one, by id.
    keep : Keep, optional
        What a person chose.
    ordered : frozenset of str
        Units adjusted on both sides whose epochs were put in order, or would be.
    """
    chosen = keep or Keep()
    own = {entry.id: _known(entry, marks.get(entry.id), of_home=False) for entry in here}
    theirs = {entry.id: _known(entry, marks.get(entry.id), of_home=True) for entry in home}
    waiting = {one.id: one for one in _apart(own, theirs) if one.id not in ordered}
    steps: list[SyncStep] = []
    same: list[tuple[Entry, Entry]] = []
    for id_ in sorted({*own, *theirs}, key=lambda one: _order(own.get(one) or theirs[one])):
        mine, its = own.get(id_), theirs.get(id_)
        if mine is not None and its is not None and mine.digest == its.digest:
            mark = marks.get(id_)
            if mark is None or (mark.digest, mark.seq, mark.home_seq) != (mine.digest, mine.seq, its.seq):
                same.append((mine, its))
            continue
        if id_ in waiting:
            continue
        found = _step(id_, mine, its, marks.get(id_), chosen)
        needs = next((one for one in _units_of(found) if one in waiting), None)
        if isinstance(found, Waiting):
            waiting[id_] = found
        elif needs is not None:
            waiting[id_] = build_from(
                Waiting, found, cause=WaitingCause.NEEDS_UNIT, reason=waiting[needs].name
            )
        else:
            steps.append(found)
    return SyncPlan(steps=tuple(steps), waiting=tuple(waiting.values()), same=tuple(same))


def differences(here: Mapping[str, Any], home: Mapping[str, Any]) -> tuple[FieldDifference, ...]:
    """Return the fields in which two contents differ."""
    names = [name for name in here if here[name] != home.get(name)]
    names += [name for name in home if name not in here]
    return tuple(FieldDifference(field=name, here=here.get(name), home=home.get(name)) for name in names)


def _known(entry: Entry, mark: SyncMarkRow | None, *, of_home: bool) -> Entry:
    """Return an entry with what the mark knows of it, where it did not change since."""
    if entry.digest or mark is None or entry.seq != (mark.home_seq if of_home else mark.seq):
        return entry
    return replace(entry, digest=mark.digest, content=mark.content)


def _order(entry: Entry) -> tuple[int, str, str]:
    return KINDS.index(entry.kind), name_key(entry.name), entry.id


def _apart(own: Mapping[str, Entry], theirs: Mapping[str, Entry]) -> Iterable[Waiting]:
    """Yield units that cannot be one on both sides: made twice with one name, or adjusted twice."""
    names = {(entry.kind, name_key(entry.name)): entry for entry in theirs.values() if entry.kind != "prep"}
    for entry in own.values():
        other = names.get((entry.kind, name_key(entry.name)))
        if other is not None and other.id != entry.id and entry.id not in theirs:
            for one in (entry, *((other,) if other.id not in own else ())):
                fields = differences(_plain(entry.content), _plain(other.content))
                yield build_from(Waiting, one, cause=WaitingCause.SAME_NAME, fields=fields)
    for id_, mine in own.items():
        its = theirs.get(id_)
        if its is not None and mine.kind in UNITS and adjusted_twice(mine, its):
            yield build_from(Waiting, mine, cause=WaitingCause.ADJUSTED_BOTH)


@dataclass(frozen=True, slots=True, kw_only=True)
class Twice:
    """A unit that was adjusted on both sides: its epoch before, and the adjustments since of either side."""

    base: int
    here: Mapping[str, Mapping[str, Any]]
    home: Mapping[str, Mapping[str, Any]]


def adjusted_twice(mine: Entry, its: Entry) -> Twice | None:
    """Return the adjustments of a unit that was adjusted on both sides from one state, or None."""
    own, theirs = mine.beside.get("adjustments", {}), its.beside.get("adjustments", {})
    here = {id_: one for id_, one in own.items() if id_ not in theirs}
    base = min((one["epochs"][0] for one in here.values()), default=0)
    home = {id_: one for id_, one in theirs.items() if id_ not in own and one["epochs"][1] > base}
    after = {one["epochs"][1] for one in here.values()}
    if not any(one["epochs"][1] in after for one in home.values()):
        return None
    return Twice(base=base, here=here, home=home)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """An adjustment in an order of time; ``at`` by the clock of this machine."""

    side: Way
    id: str
    by: str
    at: datetime


def in_order(twice: Twice, *, off_s: float) -> tuple[Made, ...]:
    """Return the adjustments of both sides by time; home's clock is ``off_s`` ahead of this machine's."""
    ahead = {Way.HERE: timedelta(0), Way.HOME: timedelta(seconds=off_s)}
    made = [
        Made(side=side, id=id_, by=one["by"], at=datetime.fromisoformat(one["at"]) - ahead[side])
        for side, found in ((Way.HERE, twice.here), (Way.HOME, twice.home))
        for id_, one in found.items()
    ]
    return tuple(sorted(made, key=lambda one: (one.at, one.id)))


def is_uncertain(order: Sequence[Made], *, off_s: float) -> bool:
    """Return whether two neighbours of different sides are no farther apart than the clocks may have been."""
    apart_s = max(CLOCK_S, abs(off_s))
    return any(
        first.side is not then.side and (then.at - first.at).total_seconds() <= apart_s
        for first, then in pairwise(order)
    )


def _plain(content: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in content.items() if name != "id"}


def _step(
    id_: str, mine: Entry | None, its: Entry | None, mark: SyncMarkRow | None, keep: Keep
) -> SyncStep | Waiting:
    entry = mine or its
    if entry is None:  # pragma: no cover - an id is of one side at least
        raise LookupError(id_)

    def going(way: Way, *, is_new: bool = False) -> SyncStep:
        base = None if mark is None else mark.content
        return SyncStep(
            way=way, kind=entry.kind, id=id_, name=entry.name, here=mine, home=its, is_new=is_new, base=base,
            keep=keep.of(entry),
        )  # fmt: skip

    if mine is None or its is None:
        return going(Way.HERE if mine is None else Way.HOME, is_new=True)
    if mark is not None and mine.digest == mark.digest:
        return going(Way.HERE)
    if mark is not None and its.digest == mark.digest:
        return going(Way.HOME)
    if entry.kind == "prep":
        return going(Way.BOTH)
    chosen = keep.of(mine) or keep.of(its)
    if chosen is not None:
        return going(Way.HOME if chosen is Way.HERE else Way.HERE)
    fields = differences(mine.content, its.content)
    return build_from(Waiting, entry, cause=WaitingCause.CHANGED_BOTH, fields=fields)


def _units_of(found: SyncStep | Waiting) -> Iterable[str]:
    """Yield the units, and the set, that something cannot be without on the other side."""
    if isinstance(found, Waiting):
        return
    for entry in (found.here, found.home):
        content: Mapping[str, Any] = {} if entry is None else entry.content
        yield from content.get("lens_ids", ())
        yield from content.get("body_ids", ())
        if content.get("set_id"):
            yield content["set_id"]
