"""Keeping the record: open it, back it up in use, restore, check, and carry preps from one to another."""

import json
import shlex
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, NoReturn

from shimwise.bench.access.acting import HOUSE, Who, allowed, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.desk.inputs import Progress as Progress
from shimwise.bench.desk.inputs import progress_of
from shimwise.bench.exchange.orphan_frames import FramesKept as FramesKept
from shimwise.bench.exchange.orphan_frames import frames_kept as frames_kept
from shimwise.bench.exchange.orphan_frames import frames_left as frames_left
from shimwise.bench.sign.sealing import contradictions_of_seals, refuse_unproven
from shimwise.bench.sign.signed import as_exported
from shimwise.bench.verdict.histories import remember_imported
from shimwise.errors import ShimwiseError
from shimwise.files.errors import KitError
from shimwise.files.opening import read_bytes
from shimwise.record import Connection
from shimwise.record.backup import backup as copies
from shimwise.record.backup import checking
from shimwise.record.backup.backup import Announce
from shimwise.record.backup.backup import Backup as Backup
from shimwise.record.backup.backup import RecordCounts as RecordCounts
from shimwise.record.backup.backup import Replacing as Replacing
from shimwise.record.backup.backup import Restored as Restored
from shimwise.record.backup.checking import Contradiction as Contradiction
from shimwise.record.errors import (
    Conflict,
    NotFound,
    RecordAway,
    RecordDamaged,
    RecordTooNew,
    RecordTooOld,
)
from shimwise.record.exchange import prep_json, readings_csv
from shimwise.record.exchange.prep_json import Imported as Imported
from shimwise.record.exchange.row_json import ExchangeError
from shimwise.record.hearing import CHANGED as CHANGED
from shimwise.record.hearing import MISSED as MISSED
from shimwise.record.location import location_of
from shimwise.record.names import name_key
from shimwise.record.opening import NOT_THERE
from shimwise.record.queries import preps, verdicts
from shimwise.record.record import Record as Record
from shimwise.record.record import utc_now
from shimwise.record.storage import Storage
from shimwise.record.tables.rows import PrepLine

SHOWN = 5
SHORT_ID = 8
"""So much of an id is shown, and found again."""


def open_record(
    where: str | Path | None = None,
    *,
    clock: Callable[[], datetime] = utc_now,
    is_read_only: bool = False,
    has_to_be: bool = False,
    storage: str | None = None,
) -> Record:
    """Open a record, made when it is not there yet and brought to this version; as :meth:`Record.open`.

    Parameters
    ----------
    where : str, Path or None
        A folder, a file, or a ``postgresql://`` address; None: the user's data folder.
    clock : callable
        Returns the time.
    is_read_only : bool
        Whether it has to be there already, and is left as it is; tables of an older version are renewed
        first, with a copy of the record beside it.
    has_to_be : bool
        Whether it has to be there already, and is written to.
    storage : str, optional
        Where frames are kept, as :class:`shimwise.record.storage.Storage`; beside the record without it.
    """
    record = _opened(where, clock=clock, is_read_only=is_read_only, has_to_be=has_to_be)
    try:
        record.storage = Storage(storage) if storage else None
    except BaseException:
        record.close()
        raise
    return record


def _opened(
    where: str | Path | None, *, clock: Callable[[], datetime], is_read_only: bool, has_to_be: bool
) -> Record:
    path = location_of(where).path if has_to_be else None
    if path is not None and not path.is_file():
        raise RecordAway(NOT_THERE, where=str(path))
    try:
        return Record.open(where, clock=clock, is_read_only=is_read_only)
    except RecordTooOld:
        Record.open(where, clock=clock).close()
        return Record.open(where, clock=clock, is_read_only=is_read_only)


@contextmanager
def opened_or_empty(where: str | Path | None, *, is_dry_run: bool) -> Iterator[Record]:
    """Open a record; for a dry run to be left as it is, where there is none an empty one that goes."""
    try:
        record = open_record(where, is_read_only=is_dry_run)
    except RecordAway:
        if not is_dry_run:
            raise
        with TemporaryDirectory(prefix="shimwise-") as folder, Record.open(folder) as empty:
            yield empty
        return
    with record:
        yield record


def backup(
    record: Record, target: str | Path, *, who: Who = HOUSE, progress: Progress | None = None
) -> Backup:
    """Copy a record while it is used; see :func:`shimwise.record.backup.backup.backup`."""
    allowed(record, who, Act.BACKUP)
    return copies.backup(record, target, progress=progress_of(progress, "Copying the record"))


def restore(
    source: str | Path,
    where: str | Path | None,
    *,
    who: Who = HOUSE,
    announce: Announce | None = None,
    progress: Progress | None = None,
) -> Restored:
    """Put a backup in the place of a record; see :func:`shimwise.record.backup.backup.restore`.

    Who does it is asked of the record that is replaced; where none can be read there, of nobody.
    """
    with suppress(RecordAway, RecordDamaged, RecordTooNew), Record.open(where, is_read_only=True) as replaced:
        allowed(replaced, who, Act.RESTORE)
    return copies.restore(
        source, where, announce=announce, progress=progress_of(progress, "Copying the backup")
    )


def check(record: Record, *, progress: Progress | None = None) -> tuple[Contradiction, ...]:
    """Check whether a record agrees with itself, and with what was signed; empty when all is well."""
    found = checking.check(record, progress=progress_of(progress, "Checking the record"))
    with record.reading() as connection:
        return (*found, *islice(contradictions_of_seals(connection), checking.SHOWN))


def prep_document(record: Record, prep_id: str) -> dict[str, Any]:
    """Return all that a prep holds as one document (``shimwise.prep/1``); a signed one as it was signed.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    with record.reading() as connection:
        return as_exported(prep_json.export_prep(connection, prep_id))


def export_prep(record: Record, prep_id: str) -> str:
    """Return everything that a prep holds as JSON text; the same prep is the same text.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    document = prep_document(record, prep_id)
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def export_readings_csv(record: Record, prep_id: str) -> str:
    """Return a prep's readings as a readings file, those withdrawn left out.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    with record.reading() as connection:
        return readings_csv.export_readings(connection, prep_id)


def import_prep(
    record: Record, document: Mapping[str, Any] | bytes | str, *, who: Who, is_unproven: bool = False
) -> Imported:
    """Take in a prep that was exported: all of it or nothing.

    Parameters
    ----------
    record : Record
        Where to.
    document : mapping, bytes or str
        The prep, or its text.
    who : str
        Who takes it in.
    is_unproven : bool
        Whether signatures without a house's seal, as before 0.3, are taken in all the same.

    Raises
    ------
    ExchangeError
        If the document is none, holds something that no record holds or no page can show, or nobody known
        here vouches for its signatures.
    Conflict
        If the prep is here with other content, another unit has a name of the document, or a unit was
        adjusted here and there from the same state.
    """
    read = read_document(document) if isinstance(document, bytes | str) else document
    permitted(who, Act.IMPORT)
    refuse_unproven(read, is_unproven=is_unproven)
    with changing(record, who, Act.IMPORT) as change:
        done = prep_json.import_prep(change, read)
        if done.is_new:
            refuse_unless_shown(change.connection, done.prep_id)
            remember_imported(change, done.prep_id)
        return done


def read_document(data: bytes | str, *, name: str = "The file") -> Any:  # noqa: ANN401 - JSON is of any kind
    """Read standard JSON.

    Raises
    ------
    ExchangeError
        If it is none.
    """
    try:
        text = data.decode("utf-8-sig") if isinstance(data, bytes) else data
        return json.loads(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise ExchangeError(f"{name} is no JSON ({error}). Export the prep again.") from error


def find_prep(record: Record, text: str) -> str:
    """Find a prep by its id or the beginning of it, or by part of its title or of a unit's name.

    Raises
    ------
    NotFound
        If there is none.
    Conflict
        If there are several, and none has that very title; the newest are named.
    """
    with record.reading() as connection:
        try:
            return preps.prep(connection, text).id
        except NotFound:
            found = preps.prep_lines(connection, search=text, limit=SHOWN + 1) if text.strip() else []
    if not found:
        raise NotFound("prep", text)
    titled = [line for line in found if name_key(line.title) == name_key(text)]
    if len(titled or found) > 1:
        named = "".join(f"\n  {_named(line)}" for line in found[:SHOWN])
        more = f"\nThese and more: shimwise list preps {shlex.quote(text)}" if len(found) > SHOWN else ""
        raise Conflict(
            f"[{text}] is in several preps. Give the id of one, as it begins here:{named}{more}",
            kind="prep",
            id=text,
        )
    return (titled or found)[0].id


def read_file(path: str | Path) -> bytes:
    """Read a whole file that a person names.

    Raises
    ------
    RecordError
        If it cannot be opened, or is larger than 64 MiB.
    """
    return read_bytes(path, error=KitError)


def refuse_unless_shown(connection: Connection, prep_id: str) -> None:
    """Refuse a prep that cannot be shown: nothing is ever deleted, so its page would stay broken.

    Raises
    ------
    ExchangeError
        With the cause.
    """
    from shimwise.bench.house.unit_checks import checked_unit
    from shimwise.bench.house.unit_rows import facts_of
    from shimwise.bench.prep.prep_data import material_of
    from shimwise.bench.prep.presenter import view_of

    try:
        material = material_of(connection, prep_id)
        view_of(material, verdicts.latest_verdict(connection, prep_id))
        for unit in material.units:  # a history is the program's own, so it is let be
            checked_unit(facts_of(replace(unit, history_mean_um=None, history_sd_um=None)))
    except (ShimwiseError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        raise ExchangeError(
            f"The file holds what no prep can show ({type(error).__name__}: {error}). Export it again from "
            "where it was made."
        ) from error


def _named(line: PrepLine) -> str:
    title = line.title or ", ".join(line.bodies)
    return f"{line.id[:SHORT_ID]}  {line.started_at.astimezone():%Y-%m-%d}  {line.state:<6}  {title}"


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number of JSON")
