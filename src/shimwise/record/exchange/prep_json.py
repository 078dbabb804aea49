"""A prep as one JSON document (``shimwise.prep/1``), and back in elsewhere with nothing changed."""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from sqlalchemy import Connection

from shimwise.record import journal
from shimwise.record.errors import Conflict, NotFound
from shimwise.record.exchange.consistency import refuse_incoherent
from shimwise.record.exchange.row_json import ExchangeError, row_from_json, row_to_json
from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.queries import epochs, evidence, people, preps, sets, units, verdicts
from shimwise.record.tables.columns import json_text
from shimwise.record.tables.mapping import insert, insert_all, row_if_kept
from shimwise.record.tables.rows import (
    AdjustmentRow,
    BodyRow,
    GaugeRow,
    JournalRow,
    LensRow,
    PrepRow,
    ReadingRow,
    SetRow,
    SetupRow,
    SignOffRow,
    SweepRow,
    VerdictRow,
)

SCHEMA = "shimwise.prep/1"
ALL = 10**9
_ELSEWHERE = frozenset({"seq", "prep_id"})
"""Of a line of the journal: its number is of one record only, and its prep is that of the document."""
_LISTS: dict[str, tuple[type[Any], Callable[[Connection, str], Sequence[Any]]]] = {
    "setups": (SetupRow, evidence.setups),
    "readings": (ReadingRow, evidence.readings),
    "gauges": (GaugeRow, evidence.gauges),
    "sweeps": (SweepRow, evidence.sweeps),
    "verdicts": (VerdictRow, verdicts.verdicts_of),
    "adjustments": (AdjustmentRow, verdicts.adjustments),
    "sign_offs": (SignOffRow, verdicts.sign_offs),
}
"""What a prep holds: the kind of row, and the query. Each list points only to those before it."""
EVIDENCE = tuple(name for name in _LISTS if name != "verdicts")
"""What is compared of a prep: verdicts follow from the rest."""
_KEYS = {"schema", "prep", "set", "bodies", "lenses", "journal", *_LISTS}
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """The result of an import.

    Attributes
    ----------
    prep_id : str
        The prep.
    is_new : bool
        False if the record held the very same already.
    kept : tuple of str
        Units that the record knew by their id, with other facts: the record's own stay, except the epoch of
        a unit that was adjusted further elsewhere.
    """

    prep_id: str
    is_new: bool
    kept: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadPrep:
    """A prep's document as rows; ``rows`` by the names of :data:`LISTS`, in their order."""

    parts: Mapping[str, Any]
    prep: PrepRow
    rows: Mapping[str, list[Any]]
    bodies: list[BodyRow]
    lenses: list[LensRow]

    @property
    def units(self) -> tuple[BodyRow | LensRow, ...]:
        """Bodies and lenses."""
        return (*self.bodies, *self.lenses)

    @property
    def reading_count(self) -> int:
        """Number of the last reading."""
        return max((row.seq for row in self.rows["readings"]), default=0)


def export_prep(connection: Connection, prep_id: str) -> dict[str, Any]:
    """Return everything that a prep holds as standard JSON; the same prep is the same document.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    row = preps.prep(connection, prep_id)
    of_set = sets.set_of(connection, row.set_id) if row.set_id else None
    lens_ids = dict.fromkeys((*row.lens_ids, *(of_set.lens_ids if of_set else ())))
    lines = journal.journal_after(connection, 0, prep_id=prep_id, limit=ALL)
    return {
        "schema": SCHEMA,
        "prep": _without_shifts(row_to_json(row)),
        "set": row_to_json(of_set) if of_set else None,
        "bodies": list(map(row_to_json, units.units_by_id(connection, BodyRow, row.body_ids).values())),
        "lenses": list(map(row_to_json, units.units_by_id(connection, LensRow, lens_ids).values())),
        **{
            name: [row_to_json(one) for one in query(connection, prep_id)]
            for name, (_, query) in _LISTS.items()
        },
        "journal": [
            {name: value for name, value in row_to_json(line).items() if name not in _ELSEWHERE}
            for line in lines
        ],
    }


def _without_shifts(row: dict[str, Any]) -> dict[str, Any]:
    """Return a prep's row, as before there were shifts where it has none."""
    return row if row["epoch_shifts"] else {name: row[name] for name in row if name != "epoch_shifts"}


def import_prep(change: Change, document: Any) -> Imported:
    """Add a prep that :func:`export_prep` made, with its units and its journal.

    Raises
    ------
    ExchangeError
        If the document is none, or holds something that no record does; with the place.
    Conflict
        If the prep is here with other content, another unit has a name of the document, or a unit was
        adjusted here and there from the same state.
    """
    read = read_prep(document)
    if _is_here(change.connection, read.prep.id, document):
        return Imported(prep_id=read.prep.id, is_new=False)
    return import_read(change, read)


def import_read(change: Change, read: ReadPrep) -> Imported:
    """Add a prep that is not here; raise as :func:`import_prep`."""
    kept = take_units(change, read)
    add_prep_row(change, read)
    for found in read.rows.values():
        insert_all(change.connection, found)
    refuse_contradicting(change, read)
    add_journal(change, read)
    change.note(journal.TAKEN_IN, detail={"prep_id": read.prep.id, "title": read.prep.title, "kept": kept})
    return Imported(prep_id=read.prep.id, is_new=True, kept=tuple(kept))


def read_prep(document: Any) -> ReadPrep:
    """Read the rows of a prep's document; raise ExchangeError as :func:`import_prep`."""
    parts = _parts(document)
    prep = row_from_json(PrepRow, parts["prep"], where="prep")
    rows = {name: _rows(parts, name, kind) for name, (kind, _) in _LISTS.items()}
    _refuse_strangers(rows, prep.id)
    _refuse_other_signed(rows["sign_offs"])
    bodies, lenses = _rows(parts, "bodies", BodyRow), _rows(parts, "lenses", LensRow)
    return ReadPrep(parts=parts, prep=prep, rows=rows, bodies=bodies, lenses=lenses)


def take_units(change: Change, read: ReadPrep) -> list[str]:
    """Take the units and the set of a prep in; return the names of those whose own facts stay."""
    kept = [unit.name for unit in read.units if units.take_in(change, unit)]
    _add_set(change, read.parts, read.prep)
    return kept


def add_prep_row(change: Change, read: ReadPrep) -> None:
    """Add the row of a prep with its units in their places."""
    prep = read.prep
    insert(change.connection, prep, title_key=name_key(prep.title), reading_count=read.reading_count)
    preps.place_units(change, prep.id, prep.body_ids, prep.lens_ids)


def refuse_contradicting(change: Change, read: ReadPrep) -> None:
    """Refuse a prep that was put in if its rows disagree; else keep the lines of its latest verdict.

    Raises
    ------
    ExchangeError, Conflict
        As :func:`import_prep`.
    """
    refuse_incoherent(read.prep, {unit.id: unit for unit in read.units}, read.rows)
    _refuse_other_moves(change.connection, read.rows["adjustments"])
    latest = verdicts.latest_verdict(change.connection, read.prep.id)
    if latest is not None:
        verdicts.keep_lines(change.connection, latest)


def _parts(document: Any) -> Mapping[str, Any]:
    if not isinstance(document, Mapping) or document.get("schema") != SCHEMA:
        raise ExchangeError(f"The file is no prep that was exported; it has to say it is of schema {SCHEMA}.")
    missing, unknown = _KEYS - set(document), set(document) - _KEYS
    if missing:
        raise ExchangeError(f"The file has no {', '.join(sorted(missing))}. Export the prep again.")
    if unknown:
        raise ExchangeError(
            f"The file holds {', '.join(sorted(map(str, unknown)))}, which this version does not know. "
            "Bring this program up to date."
        )
    return document


def _is_here(connection: Connection, prep_id: str, document: Any) -> bool:
    try:
        ours = export_prep(connection, prep_id)
    except NotFound:
        return False
    own = {key: value for key, value in ours.items() if key not in {"set", "bodies", "lenses"}}
    theirs = {key: document[key] for key in own}
    if json_text(own) == json_text(theirs):
        return True
    differing = ", ".join(sorted(key for key in own if json_text(own[key]) != json_text(theirs[key])))
    raise Conflict(
        f"The prep {ours['prep']['title']} is here already, and its {differing} differ. "
        "Nothing is taken in; what is here stays.",
        kind="prep",
        id=prep_id,
    )


def _rows(parts: Mapping[str, Any], name: str, kind: type[Row]) -> list[Row]:
    if not isinstance(parts[name], list):
        raise ExchangeError(f"{name} has to be a list. Export the prep again.")
    return [row_from_json(kind, found, where=f"{name}[{number}]") for number, found in enumerate(parts[name])]


def _refuse_strangers(rows: Mapping[str, list[Any]], prep_id: str) -> None:
    for name, found in rows.items():
        stranger = next((row for row in found if row.prep_id != prep_id), None)
        if stranger is not None:
            raise ExchangeError(
                f"{name} hold {stranger.id}, which is of another prep. Export the prep again."
            )


def _refuse_other_signed(sign_offs: list[SignOffRow]) -> None:
    for number, row in enumerate(sign_offs):
        text = row.signed_json
        if text is not None and hashlib.sha256(text.encode("utf-8", "replace")).hexdigest() != row.digest:
            raise ExchangeError(
                f"sign_offs[{number}].signed_json is not what its digest is over: the file was changed. "
                "Export the prep again."
            )


def _refuse_other_moves(connection: Connection, found: Sequence[AdjustmentRow]) -> None:
    """Refuse an adjustment if the unit was adjusted here from the same state, to another one."""
    shifts = epochs.shifts_by_prep(connection) if found else {}
    for row in found:
        (own,) = epochs.shifted([row], shifts.get(row.prep_id or ""))
        others = verdicts.unit_adjustments(connection, row.unit_id)
        counted = (epochs.shifted([one], shifts.get(one.prep_id or ""))[0] for one in others)
        if any(one.epoch_after == own.epoch_after and one.id != own.id for one in counted):
            raise Conflict(
                f"The {row.unit_kind} {row.unit_id} was adjusted here from epoch {row.epoch_before} too, and "
                "nobody can tell in which state it is. Nothing is taken in.",
                kind=row.unit_kind,
                id=row.unit_id,
            )


def _add_set(change: Change, parts: Mapping[str, Any], prep: PrepRow) -> None:
    if parts["set"] is None:
        return
    row = row_from_json(SetRow, parts["set"], where="set")
    if row.id != prep.set_id:
        raise ExchangeError("The set of the file is not that of its prep. Export the prep again.")
    if row_if_kept(change.connection, SetRow, row.id) is None:
        sets.add_set(change, row)


def add_journal(change: Change, read: ReadPrep, *, is_there: bool = False) -> None:
    """Add the journal of a prep; ``is_there``: only the lines that this record does not have yet."""
    if not isinstance(read.parts["journal"], list):
        raise ExchangeError("journal has to be a list. Export the prep again.")
    known: Counter[str] = Counter()
    if is_there:
        own = journal.journal_after(change.connection, 0, prep_id=read.prep.id, limit=ALL)
        known = Counter(_line_key(line) for line in own)
    rows: list[JournalRow] = []
    for number, found in enumerate(read.parts["journal"]):
        line = {"seq": 0, **found} if isinstance(found, Mapping) else found
        row = row_from_json(JournalRow, line, where=f"journal[{number}]")
        if known[_line_key(row)]:
            known[_line_key(row)] -= 1
            continue
        rows.append(replace(row, prep_id=read.prep.id))
    for who in dict.fromkeys(row.who for row in rows):
        people.remember(change.connection, who)
    journal.add_lines(change, rows)


def _line_key(row: JournalRow) -> str:
    return json_text([row.at.isoformat(), row.who, row.what, row.unit_id, row.detail])
