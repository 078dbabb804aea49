"""What two records compare when one comes home: an entry of each unit, set and prep, and the documents.

An entry has what is compared. Of a unit that is what people typed: epochs and learned histories follow from
preps, and are beside it. Verdicts and the journal of a prep follow too, and travel with its document.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, select, text

from shimwise.record import journal
from shimwise.record.errors import Conflict
from shimwise.record.exchange.prep_json import EVIDENCE, export_prep
from shimwise.record.exchange.row_json import ExchangeError, row_from_json, row_to_json
from shimwise.record.journal import Change
from shimwise.record.queries import epochs, sets, units
from shimwise.record.tables import schema
from shimwise.record.tables.columns import json_text
from shimwise.record.tables.mapping import UNIT_COLUMNS, UNIT_ROWS, row_if_kept
from shimwise.record.tables.rows import BodyRow, JournalRow, LensRow, SetRow

HISTORY = ("history_mean_um", "history_sd_um")
TAKEN_ALONG = "history taken along"
_BESIDE = ("epoch", *HISTORY)
_ADJUSTED_ELSEWHERE = " adjusted elsewhere"
_NEAR = 20
"""Lines of a unit's journal in which its newest history is looked for first."""
_AT_ONCE = 500
_ALL = 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One unit, set or prep, as far as it is compared.

    Attributes
    ----------
    kind, id, name : str
        ``body``, ``lens``, ``set`` or ``prep``.
    digest : str
        Of what is compared; empty of a prep that did not change since ``seq`` was asked about.
    seq : int
        Of a prep, the last line about it in the journal of its record.
    content : mapping
        What is compared field by field; of a prep its row.
    beside : mapping
        Of a unit: ``epoch``, ``learned`` and ``adjustments``, by id, with their time and epochs.
    """

    kind: str
    id: str
    name: str
    digest: str
    seq: int = 0
    content: Mapping[str, Any] = field(default_factory=dict)
    beside: Mapping[str, Any] = field(default_factory=dict)


class ChangedMeanwhile(Conflict):
    """Raised when what is to be replaced was changed since it was compared."""


def digest_of_content(content: Any) -> str:
    """Return the SHA-256 of standard JSON."""
    return hashlib.sha256(json_text(content).encode("utf-8", "surrogatepass")).hexdigest()


def unit_entries(connection: Connection) -> list[Entry]:
    """Return the entries of all bodies and lenses, retired ones too."""
    found = []
    for kind, of in UNIT_ROWS.items():
        rows = units.units(connection, of, limit=_ALL, has_retired=True)
        moves = _adjustments(connection, kind)
        found += [_unit_entry(connection, kind, row, moves.get(row.id, {})) for row in rows]
    return found


def set_entries(connection: Connection) -> list[Entry]:
    """Return the entries of all sets."""
    return [
        Entry(kind="set", id=row.id, name=row.name, digest=digest_of_content(content), content=content)
        for row in sets.sets(connection, limit=_ALL)
        for content in (row_to_json(row),)
    ]


def prep_entries(
    connection: Connection, known: Mapping[str, int], *, has_all: bool = False
) -> Iterator[Entry]:
    """Yield the entries of the preps in ``known`` that are here, and of the open ones, or of all.

    ``known``: the journal's number at which the asker last saw each; one that has not changed since has an
    empty digest.
    """
    table = schema.preps
    wanted = select(table.c.id, table.c.title)
    ids = list(known)
    conditions: list[ColumnElement[bool] | None]
    if has_all:
        conditions = [None]
    else:
        parts = [ids[at : at + _AT_ONCE] for at in range(0, len(ids), _AT_ONCE)]
        conditions = [table.c.state == "open", *(table.c.id.in_(part) for part in parts)]
    found: dict[str, str] = {}
    for condition in conditions:
        rows = connection.execute(wanted if condition is None else wanted.where(condition))
        found.update({row.id: row.title for row in rows})
    seqs = _last_seqs(connection, list(found))
    for prep_id, title in found.items():
        seq = seqs.get(prep_id, 0)
        if seq == known.get(prep_id, -1):
            yield Entry(kind="prep", id=prep_id, name=title, digest="", seq=seq)
        else:
            yield prep_entry(export_prep(connection, prep_id), seq=seq)


def prep_entry(document: Mapping[str, Any], *, seq: int = 0) -> Entry:
    """Return the entry of a prep's document."""
    row = {name: value for name, value in document["prep"].items() if name != "revision"}
    digest = digest_of_content([row, *(document[name] for name in EVIDENCE)])
    return Entry(kind="prep", id=row["id"], name=row["title"], digest=digest, seq=seq, content=row)


def unit_entry(connection: Connection, kind: str, unit_id: str) -> Entry | None:
    """Return the entry of one unit, or None if it is not here."""
    row = row_if_kept(connection, UNIT_ROWS[kind], unit_id)
    return None if row is None else _unit_entry(connection, kind, row, {})


def put_unit(change: Change, entry: Entry, *, expected: str) -> None:
    """Put a unit as the other record has it; what is here has to have the digest ``expected``, empty: none.

    The epoch and the learned history of a unit that is here stay; a typed one gives way to a learned one.

    Raises
    ------
    ChangedMeanwhile
        If it was changed since.
    ExchangeError
        If the entry holds what no unit does.
    """
    kind = UNIT_ROWS[entry.kind]
    own = row_if_kept(change.connection, kind, entry.id)
    kept = "" if own is None else _unit_entry(change.connection, entry.kind, own, {}).digest
    _refuse_changed(entry, kept, expected)
    values = {name: value for name, value in entry.content.items() if name != "history"}
    typed = entry.content.get("history")
    if own is None:
        learned = typed if typed is not None else entry.beside.get("learned")
        values |= {"epoch": entry.beside.get("epoch", 0), **_history(learned)}
        made = row_from_json(kind, values, where=f"{entry.kind} {entry.id}")
        _same_id(entry, made.id)
        units.add_unit(change, made)
        if typed is None and learned not in (None, [None, None]):
            _note_learned(change, entry, epoch=made.epoch, before=[None, None], after=learned)
        return
    made = row_from_json(kind, {**values, **_history(typed)}, where=f"{entry.kind} {entry.id}")
    _same_id(entry, made.id)
    if typed is not None:
        units.change_unit(change, replace(made, epoch=own.epoch))
        return
    before, learned = [getattr(own, name) for name in HISTORY], entry.beside.get("learned")
    # What was typed here has given way to what preps taught there; what was learned here stays.
    is_typed = _typed(change.connection, own) is not None
    history = _history(learned or None) if is_typed else _history(before)
    units.change_unit(change, replace(made, epoch=own.epoch, **history))
    if is_typed and learned not in (None, [None, None]):
        _note_learned(change, entry, epoch=own.epoch, before=before, after=learned)


def put_set(change: Change, entry: Entry, *, expected: str) -> None:
    """Put a set as the other record has it; as :func:`put_unit`."""
    row = row_from_json(SetRow, dict(entry.content), where=f"set {entry.id}")
    _same_id(entry, row.id)
    own = row_if_kept(change.connection, SetRow, entry.id)
    kept = digest_of_content(row_to_json(sets.set_of(change.connection, entry.id))) if own else ""
    _refuse_changed(entry, kept, expected)
    (sets.add_set if own is None else sets.change_set)(change, row)


def take_learned(change: Change, entry: Entry) -> bool:
    """Take the epoch and the learned history of a unit along from its home; return whether they are others.

    What a person typed here stays.
    """
    own = row_if_kept(change.connection, UNIT_ROWS[entry.kind], entry.id)
    if own is None or not is_learned_further(_unit_entry(change.connection, entry.kind, own, {}), entry):
        return False
    epoch, learned = entry.beside["epoch"], entry.beside["learned"]
    if epoch > own.epoch:
        units.take_in(change, replace(own, epoch=epoch, **_history(learned)))
        return True
    before = [getattr(own, name) for name in HISTORY]
    units.change_unit(change, replace(own, **_history(learned)))
    _note_learned(change, entry, epoch=own.epoch, before=before, after=learned)
    return True


def prep_id_of(document: Any) -> str:
    """Return the id of the prep of a document; raise ExchangeError if it has none."""
    row = document.get("prep") if isinstance(document, Mapping) else None
    found = row.get("id") if isinstance(row, Mapping) else None
    if not isinstance(found, str) or not found:
        raise ExchangeError("What was sent is no prep: it has no id. Sync again.")
    return found


def is_learned_further(own: Entry, home: Entry) -> bool:
    """Return whether home knows another epoch or history of a unit, where none was typed here."""
    if home.beside["epoch"] != own.beside["epoch"]:
        return bool(home.beside["epoch"] > own.beside["epoch"])
    learned = home.beside["learned"]
    return learned is not None and own.beside["learned"] not in (None, learned)


def server_time(connection: Connection) -> str | None:
    """Return the clock of the record's server, ISO 8601; None of a file, which has none."""
    if connection.dialect.name == "sqlite":
        return None
    return str(connection.execute(text("SELECT clock_timestamp()")).scalar_one().isoformat())


def _unit_entry(connection: Connection, kind: str, row: BodyRow | LensRow, moves: Mapping[str, Any]) -> Entry:
    content = {name: value for name, value in row_to_json(row).items() if name not in _BESIDE}
    typed = _typed(connection, row)
    content["history"] = typed
    learned = None if typed is not None else [row.history_mean_um, row.history_sd_um]
    return Entry(
        kind=kind,
        id=row.id,
        name=row.name,
        digest=digest_of_content(content),
        content=content,
        beside={"epoch": row.epoch, "learned": learned, "adjustments": moves},
    )


def _typed(connection: Connection, row: BodyRow | LensRow) -> list[float | None] | None:
    """Return the history of a unit if a person typed it, else None: it was learned, or there is none."""
    kept = [row.history_mean_um, row.history_sd_um]
    if kept[1] is None:
        return None
    for limit in (_NEAR, _ALL):
        lines = journal.journal_of_unit(connection, row.id, limit=limit)
        after = next(islice(filter(None, map(_after, lines)), 1), None)
        if after is not None:
            return None if after == kept else kept
        if len(lines) < limit:
            break
    return kept


def _after(line: JournalRow) -> list[float | None] | None:
    """Return the history that a line of the journal wrote by learning, or None if it did not."""
    if line.what.endswith(_ADJUSTED_ELSEWHERE):
        return [line.detail[name][1] for name in HISTORY]
    found = line.detail.get("after")
    return list(found) if isinstance(found, list) and "epoch" in line.detail else None


def _history(pair: Sequence[float | None] | None) -> dict[str, Any]:
    return dict(zip(HISTORY, (None, None) if pair is None else pair, strict=True))


def _adjustments(connection: Connection, kind: str) -> dict[str, dict[str, Any]]:
    """Return the adjustments of all units of a kind: time, epochs and prep by id, by unit."""
    table = schema.adjustments
    column = table.c[UNIT_COLUMNS[kind]]
    wanted = select(
        table.c.id, column.label("unit_id"), table.c.made_at, table.c.epoch_before, table.c.epoch_after,
        table.c.prep_id, table.c.made_by,
    ).where(column.is_not(None))  # fmt: skip
    found: dict[str, dict[str, Any]] = {}
    shifts = epochs.shifts_by_prep(connection)
    for row in connection.execute(wanted):
        by = shifts.get(row.prep_id or "", {}).get(row.unit_id, 0)
        found.setdefault(row.unit_id, {})[row.id] = {
            "at": row.made_at.isoformat(),
            "by": row.made_by,
            "epochs": [row.epoch_before + by, row.epoch_after + by],
            "prep_id": row.prep_id,
        }
    return found


def _last_seqs(connection: Connection, prep_ids: Sequence[str]) -> dict[str, int]:
    table, found = schema.journal, {}
    for at in range(0, len(prep_ids), _AT_ONCE):
        wanted = (
            select(table.c.prep_id, func.max(table.c.seq))
            .where(table.c.prep_id.in_(prep_ids[at : at + _AT_ONCE]))
            .group_by(table.c.prep_id)
        )
        found.update({prep_id: int(seq) for prep_id, seq in connection.execute(wanted)})
    return found


def _refuse_changed(entry: Entry, kept: str, expected: str) -> None:
    if kept not in (expected, entry.digest):
        raise ChangedMeanwhile(
            f"The {entry.kind} {entry.name} was changed meanwhile. Sync again.", kind=entry.kind, id=entry.id
        )


def _note_learned(
    change: Change, entry: Entry, *, epoch: int, before: Sequence[Any], after: Sequence[Any]
) -> None:
    """Write into the journal that a history was learned elsewhere, so that nobody takes it for typed."""
    detail = {"kind": entry.kind, "epoch": epoch, "before": list(before), "after": list(after)}
    change.note(TAKEN_ALONG, unit_id=entry.id, detail=detail)


def _same_id(entry: Entry, found: str) -> None:
    if found != entry.id:
        raise ExchangeError(f"The {entry.kind} {entry.id} holds the id {found}. Sync again.")
