"""Take a kit file into the record: what it states of bodies and lenses, and its gauge values into a prep."""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import InputError
from shimwise.bench.house.kit_units import KIT_FACTS, mechanism_of_kit, of_unit
from shimwise.bench.house.unit_changes import blank_facts, differing, fact_text
from shimwise.bench.house.unit_checks import checked_unit
from shimwise.bench.house.unit_rows import facts_of, row_of
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts
from shimwise.bench.prep.states import OPEN, refuse_unless_open
from shimwise.bench.typed_names import id_or_new
from shimwise.files.kit import Kit, KitBody, KitLens, KitUnit
from shimwise.files.kit_file import parse_kit
from shimwise.record.queries import evidence, preps, units
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import GaugeRow

HISTORY = ("history_mean_um", "history_sd_um")
FROM_FILE = "from the kit file"
MOST_PREPS = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class KitChange:
    """A fact that the kit changes of a unit: its key in the file, before and after as files write it."""

    kind: str
    name: str
    fact: str
    before: str
    after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KitLeft:
    """What of the kit is not taken.

    ``why``: ``needs_optics`` (a new lens without focal length and f-number), ``own_history`` (the record has
    one of its own), ``no_prep``, ``several_preps`` (a gauge value is evidence of one open prep).
    """

    kind: str
    name: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KitOutcome:
    """What taking in a kit did, or would do.

    ``added``, ``unchanged``: ``body A-07``. ``gauges``: title of the prep by the unit whose value it got.
    """

    is_dry_run: bool
    added: tuple[str, ...]
    changed: tuple[KitChange, ...]
    unchanged: tuple[str, ...]
    gauges: Mapping[str, str]
    left: tuple[KitLeft, ...]


def import_kit(
    record: Record,
    data: bytes,
    *,
    who: Who,
    name: str,
    prep_id: str | None = None,
    is_dry_run: bool = False,
) -> KitOutcome:
    """Take in a kit, all of it or nothing; or return what that would do.

    What the kit states of a unit is taken over what the record has, but for a history: the record's own
    follows from what was signed. The same kit again changes nothing.

    Parameters
    ----------
    record : Record
        Where it goes.
    data : bytes
        The TOML, as :mod:`shimwise.files.kit_file` describes it.
    who : str
        Who does it.
    name : str
        The file, for messages.
    prep_id : str, optional
        The prep that takes the gauge values; without it the only open one of each unit.
    is_dry_run : bool
        Change nothing.

    Raises
    ------
    KitError, InputError
        If the file, or a value of it, is none that the record takes.
    NotFound, Conflict
        If there is no such prep, or it is not open.
    """
    permitted(who, Act.IMPORT)
    kit = parse_kit(data, name=name)
    if is_dry_run:
        with record.reading() as connection:
            return _Draft.of(connection, kit, prep_id).outcome(is_dry_run=True)
    with changing(record, who, Act.IMPORT) as change:
        draft = _Draft.of(change.connection, kit, prep_id)
        draft.keep(change, file=name)
    return draft.outcome(is_dry_run=False)


@dataclass(slots=True)
class _Draft:
    """What of a kit is new in the record."""

    connection: Connection
    prep_id: str | None
    wanted: list[tuple[Any, BodyFacts | LensFacts, str]] = field(default_factory=list)
    added: list[str] = field(default_factory=list)
    changed: list[KitChange] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    gauges: list[tuple[str, str, GaugeRow]] = field(default_factory=list)
    left: list[KitLeft] = field(default_factory=list)

    @classmethod
    def of(cls, connection: Connection, kit: Kit, prep_id: str | None) -> "_Draft":
        if prep_id is not None:
            refuse_unless_open(connection, prep_id)
        draft = cls(connection, prep_id)
        of_kind: dict[str, Mapping[str, KitUnit]] = {"body": kit.bodies, "lens": kit.lenses}
        for kind, in_kit in of_kind.items():
            for name, unit in in_kit.items():
                draft._take(kind, name, unit, units.unit_by_name(connection, UNIT_ROWS[kind], name))
        return draft

    def _take(self, kind: str, name: str, unit: KitUnit, known: Any) -> None:  # noqa: ANN401 - a row or None
        before = None if known is None else facts_of(known)
        if before is None and isinstance(unit, KitLens) and not (unit.focal_lengths_mm and unit.fnumber):
            self.left.append(KitLeft(kind=kind, name=name, why="needs_optics"))
            return
        facts = _wanted(kind, name, unit, before)
        unit_id = id_or_new(None) if known is None else known.id
        if before is None:
            self.added.append(f"{kind} {facts.name}")
            self.wanted.append((None, facts, unit_id))
        else:
            if unit.history_sd_um is not None and any(
                getattr(facts, one) != getattr(unit, one) for one in HISTORY
            ):
                self.left.append(KitLeft(kind=kind, name=facts.name, why="own_history"))
            self._note(kind, known, before, facts)
        self._gauge(kind, facts.name, unit, unit_id, epoch=0 if known is None else known.epoch)

    def _note(
        self,
        kind: str,
        known: Any,  # noqa: ANN401 - either kind of row
        before: BodyFacts | LensFacts,
        facts: BodyFacts | LensFacts,
    ) -> None:
        names = differing(before, facts)
        if names:
            self.wanted.append((known, facts, known.id))
        else:
            self.unchanged.append(f"{kind} {facts.name}")
        for fact in names:
            self.changed.append(
                KitChange(
                    kind=kind,
                    name=facts.name,
                    fact=KIT_FACTS.get(fact, fact),
                    before=fact_text(getattr(before, fact), fact),
                    after=fact_text(getattr(facts, fact), fact),
                )
            )

    def _gauge(self, kind: str, name: str, unit: KitUnit, unit_id: str, *, epoch: int) -> None:
        if unit.gauge_um is None or unit.gauge_sd_um is None:
            return
        open_preps = [
            one
            for one in preps.unit_preps(self.connection, unit_id, limit=MOST_PREPS)
            if one.state == OPEN and self.prep_id in (None, one.id)
        ]
        if len(open_preps) != 1:
            why = "several_preps" if open_preps else "no_prep"
            self.left.append(KitLeft(kind=kind, name=name, why=why))
            return
        prep = open_preps[0]
        row = GaugeRow(
            id=_gauge_id(prep.id, unit_id, epoch, unit),
            unit_kind=kind,
            unit_id=unit_id,
            value_um=unit.gauge_um,
            sd_um=unit.gauge_sd_um,
            taken_by="",
            taken_at=prep.started_at,
            prep_id=prep.id,
            epoch=epoch,
            note=FROM_FILE,
        )
        if not any(_is_same(row, there) for there in evidence.gauges(self.connection, prep.id)):
            self.gauges.append((f"{kind} {name}", prep.title, row))

    def keep(self, change: Change, *, file: str) -> None:
        """Write everything that is new or changed."""
        for known, facts, unit_id in self.wanted:
            if known is None:
                units.add_unit(change, row_of(facts, id=unit_id))
            else:
                units.change_unit(change, row_of(facts, id=unit_id))
        for _, _, row in self.gauges:
            evidence.add_gauge(change, replace(row, taken_by=change.who, taken_at=change.at))
        if self.wanted or self.gauges:
            change.note("kit imported", detail={"file": file})

    def outcome(self, *, is_dry_run: bool) -> KitOutcome:
        return KitOutcome(
            is_dry_run=is_dry_run,
            added=tuple(self.added),
            changed=tuple(self.changed),
            unchanged=tuple(self.unchanged),
            gauges={unit: title for unit, title, _ in self.gauges},
            left=tuple(self.left),
        )


def _wanted(
    kind: str, name: str, unit: KitUnit, before: BodyFacts | LensFacts | None
) -> BodyFacts | LensFacts:
    """Return the facts of a unit with those of the kit in them, checked."""
    stated = dict(_stated(unit))
    if before is not None and before.history_sd_um is not None:
        stated = {fact: value for fact, value in stated.items() if fact not in HISTORY}
    try:
        facts = before or blank_facts(kind, name)
        if isinstance(facts, BodyFacts) and facts.mechanism is not None and "mechanism" in stated:
            stated["mechanism"] = _joined(facts.mechanism, stated["mechanism"])
        return checked_unit(replace(facts, **stated))
    except InputError as error:
        raise of_unit(kind, name, error) from error


def _stated(unit: KitUnit) -> Iterator[tuple[str, Any]]:
    """Yield the facts that the kit states of a unit, by their names in the record."""
    names = ["mount", *HISTORY]
    if isinstance(unit, KitBody):
        names += ["pixel_pitch_um", "circle_of_confusion_um", "tolerance_um"]
        if unit.mechanism is not None:
            yield "mechanism", mechanism_of_kit(unit.mechanism)
    elif isinstance(unit, KitLens):
        names += ["focal_lengths_mm", "fnumber", "separation_mm", "squeeze", "by_distance", "marks_mm"]
        if unit.focus_design is not None:
            yield "focus_design", unit.focus_design.value
    for name in names:
        value = getattr(unit, name)
        if value not in (None, "", ()):
            yield name, value


def _joined(known: MechanismFacts, stated: MechanismFacts) -> MechanismFacts:
    """Return a mechanism as the kit states it; what the kit leaves out of the same kind stays known."""
    if known.kind != stated.kind:
        return stated
    given = {
        name: value
        for name in MechanismFacts.__dataclass_fields__
        if (value := getattr(stated, name)) not in (None, "", ())
    }
    return replace(known, **given)


def _gauge_id(prep_id: str, unit_id: str, epoch: int, unit: KitUnit) -> str:
    parts = (prep_id, unit_id, epoch, unit.gauge_um, unit.gauge_sd_um)
    return hashlib.sha256("\x1f".join(map(str, parts)).encode()).hexdigest()[:32]


def _is_same(one: GaugeRow, there: GaugeRow) -> bool:
    """Return whether the prep holds this value of the unit already, from whatever file."""
    names = ("unit_id", "epoch", "value_um", "sd_um")
    return all(getattr(one, name) == getattr(there, name) for name in names)
