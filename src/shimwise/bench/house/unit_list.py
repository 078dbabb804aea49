"""Take in a house's list of bodies and lenses: first what it would change, then all of it or nothing."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import InputError
from shimwise.bench.house.scale_marks import marks_text
from shimwise.bench.house.unit_changes import blank_facts, differing, fact_text
from shimwise.bench.house.unit_checks import checked_unit
from shimwise.bench.house.unit_knowledge import lens_text
from shimwise.bench.house.unit_list_file import FIELDS, ListRow, list_text, read_list
from shimwise.bench.house.unit_rows import facts_of, row_of
from shimwise.bench.house.views import BodyFacts, HouseListOutcome, LensFacts, ListChange, ListRefusal
from shimwise.bench.typed_names import id_or_new, typed_name
from shimwise.files.errors import shown
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.record.names import name_key
from shimwise.record.queries import sets, units
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import SetRow
from shimwise.sheets.words.notices import notice_texts, worded
from shimwise.sheets.words.shared import titled

ALL = 1_000_000
_COLUMNS = {field: column for column, field in FIELDS.items()}


def import_house_list(
    record: Record, data: bytes, *, who: Who, name: str = "the list", is_dry_run: bool = True
) -> HouseListOutcome:
    """Take in a house's list, or return what that would change.

    Parameters
    ----------
    record : Record
        Where the house is kept.
    data : bytes
        The CSV, as :mod:`shimwise.bench.house.unit_list_file` describes it.
    who : str
        Who does it.
    name : str
        The file, for messages.
    is_dry_run : bool
        Change nothing.

    Returns
    -------
    HouseListOutcome
        If a line is refused, nothing is taken, and all refusals are returned.

    Raises
    ------
    InputError
        If the file as a whole cannot be read.
    """
    permitted(who, Act.UNITS)
    file = read_list(data, name=name)
    if is_dry_run:
        with record.reading() as connection:
            draft = _Draft.of(connection)
            draft.take(file.rows)
    else:
        with changing(record, who, Act.UNITS) as change:
            draft = _Draft.of(change.connection)
            draft.take(file.rows)
            if not (draft.refused or file.refused):
                draft.keep(change)
    refused = tuple(sorted((*file.refused, *draft.refused), key=lambda one: one.line))
    return HouseListOutcome(
        is_dry_run=is_dry_run,
        is_taken=not is_dry_run and not refused,
        added=tuple(draft.added),
        changed=tuple(draft.changed),
        unchanged=tuple(draft.unchanged),
        refused=refused,
        warnings=tuple(notice_texts(file.notices, is_house=True)),
        notices=tuple(worded(one, is_house=True) for one in file.notices),
        understood=tuple(draft.understood),
    )


def export_house_list(record: Record) -> str:
    """Return the house's list as CSV, in the form that :func:`import_house_list` takes in."""
    with record.reading() as connection:
        return list_text(_all_units(connection))


def _all_units(connection: Connection) -> Iterator[tuple[BodyFacts | LensFacts, tuple[str, ...]]]:
    of_lens: dict[str, list[str]] = {}
    for one in sets.sets(connection, limit=ALL):
        for lens_id in one.lens_ids:
            of_lens.setdefault(lens_id, []).append(one.name)
    for of in UNIT_ROWS.values():
        for row in units.units(connection, of, limit=ALL, has_retired=True):
            yield facts_of(row), tuple(of_lens.get(row.id, ()))


@dataclass(slots=True)
class _Draft:
    """The house as it is and as the list would have it, by kind and name without case."""

    known: dict[tuple[str, str], Any]
    sets: dict[str, Any]
    added: list[str] = field(default_factory=list)
    understood: list[str] = field(default_factory=list)
    changed: list[ListChange] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    refused: list[ListRefusal] = field(default_factory=list)
    _lines: dict[tuple[str, str], int] = field(default_factory=dict)
    _wanted: list[tuple[ListRow, Any, BodyFacts | LensFacts]] = field(default_factory=list)
    _members: dict[str, tuple[str, list[str]]] = field(default_factory=dict)

    @classmethod
    def of(cls, connection: Connection) -> "_Draft":
        known = {
            (kind, name_key(row.name)): row
            for kind, of in UNIT_ROWS.items()
            for row in units.units(connection, of, limit=ALL, has_retired=True)
        }
        return cls(known=known, sets={name_key(row.name): row for row in sets.sets(connection, limit=ALL)})

    def take(self, rows: Iterable[ListRow]) -> None:
        """Put every row beside what is known; refuse those that cannot be."""
        for row in rows:
            try:
                self._take(row)
            except InputError as error:
                column = _COLUMNS.get(error.field, error.field)
                self.refused.append(
                    ListRefusal(line=row.line, column=column, found=shown(error.typed), reason=error.reason)
                )

    def _take(self, row: ListRow) -> None:
        key = (row.kind, name_key(row.name))
        if key in self._lines:
            raise InputError(
                f"stands on line {self._lines[key]} already. Keep one line for each unit.",
                field="name",
                typed=row.name,
            )
        self._lines[key] = row.line
        known = self.known.get(key)
        before = None if known is None else facts_of(known)
        facts = _wanted(row, before)
        changes = [] if before is None else differing(before, facts)
        joined = self._join_sets(row, facts.name, known)
        if before is None:
            self.added.append(f"{row.kind} {facts.name}")
            self.understood.append(f"{titled(row.kind, facts.name)}: {_understood(facts, row.sets)}")
        elif not changes and not joined:
            self.unchanged.append(f"{row.kind} {facts.name}")
        for name in changes:
            self._note_change(row, facts.name, name, getattr(before, name), getattr(facts, name))
        self._wanted.append((row, known, facts))

    def _join_sets(self, row: ListRow, unit_name: str, known: Any) -> bool:  # noqa: ANN401 - a lens's row or None
        """Note the sets that a lens is to travel in; return whether that changes anything."""
        is_changed = False
        for name in row.sets:
            key = name_key(name)
            kept = self.sets.get(key)
            if key not in self._members:
                own = typed_name(name, field="set") if kept is None else kept.name
                self._members[key] = (own, [])
                if kept is None:
                    self.added.append(f"set {own}")
            if known is None or kept is None or known.id not in kept.lens_ids:
                is_changed = True
                own, members = self._members[key]
                members.append(name_key(row.name))
                if known is not None:
                    self._note_change(row, unit_name, "set", None, own)
        return is_changed

    def _note_change(self, row: ListRow, name: str, fact: str, before: object, after: object) -> None:
        self.changed.append(
            ListChange(
                line=row.line,
                kind=row.kind,
                name=name,
                field=_COLUMNS.get(fact, fact),
                before=fact_text(before, fact),
                after=fact_text(after, fact),
            )
        )

    def keep(self, change: Change) -> None:
        """Write everything that is new or changed."""
        lens_ids: dict[str, str] = {}
        for row, known, facts in self._wanted:
            unit_id = id_or_new(None) if known is None else known.id
            if row.kind == "lens":
                lens_ids[name_key(row.name)] = unit_id
            if known is None:
                units.add_unit(change, row_of(facts, id=unit_id))
            elif differing(facts_of(known), facts):
                units.change_unit(change, row_of(facts, id=unit_id))
        for key, (name, members) in self._members.items():
            new_ids = tuple(lens_ids[member] for member in members)
            kept = self.sets.get(key)
            if kept is None:
                sets.add_set(change, SetRow(id=id_or_new(None), name=name, lens_ids=new_ids))
            elif new_ids:
                sets.change_set(change, replace(kept, lens_ids=(*kept.lens_ids, *new_ids)))


def _wanted(row: ListRow, before: BodyFacts | LensFacts | None) -> BodyFacts | LensFacts:
    """Return the facts of a unit with those of a row in them, checked; its name stays as the house has it."""
    if before is None and row.kind == "lens":
        for column, name in (("focal_length_mm", "focal_lengths_mm"), ("f_number", "fnumber")):
            if name not in row.facts:
                raise InputError("is empty; a new lens needs it.", field=column)
    return checked_unit(replace(before or blank_facts(row.kind, row.name), **row.facts))


def _understood(facts: BodyFacts | LensFacts, set_names: Sequence[str]) -> str:
    """Return what a row was read as, so that a comma or a hyphen that went wrong is seen."""
    words = []
    if isinstance(facts, LensFacts):
        words.append(lens_text(facts) + (", a zoom" if len(facts.focal_lengths_mm) > 1 else ""))
    words += [f"mount {facts.mount}"] if facts.mount else []
    words += [f"serial {facts.serial}"] if facts.serial else []
    if isinstance(facts, LensFacts) and facts.near_mm is not None:
        words.append(f"nearest mark {mm_to_feet_text(facts.near_mm)} ({mm_to_metric_text(facts.near_mm)})")
    if isinstance(facts, LensFacts) and facts.marks_mm:
        words.append(f"marks {marks_text(facts.marks_mm, facts.scale_unit, separator=', ')}")
    if isinstance(facts, BodyFacts) and facts.tolerance_um is not None:
        words.append(f"tolerance ±{facts.tolerance_um:g} µm")
    words += [f"in {' and '.join(set_names)}"] if set_names else []
    return ", ".join(words) or "nothing but its name"
