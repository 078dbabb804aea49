"""A whole record as compressed lines of JSON: the copy of a record on a server, and between databases.

The first line names the schema, each further line is a row, the last one has their number and SHA-256.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

import gzip
import hashlib
import json
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, select

from shimwise.record.exchange.row_json import ExchangeError, columns_from_json
from shimwise.record.file_copy import Progress, written_whole
from shimwise.record.migrations import HEAD, READABLE
from shimwise.record.tables.columns import json_text, json_value
from shimwise.record.tables.schema import METADATA, ORDER

ENDING = ".jsonl.gz"
SCHEMA = "shimwise.record/1"
AT_ONCE = 1000
"""Rows read or handed over at once."""
REPORTED_EVERY = 10_000
"""Rows between two reports of progress."""


def is_portable(path: Path) -> bool:
    """Return whether a file is such a copy, by its name."""
    return path.name.endswith(ENDING)


def count_rows(connection: Connection) -> int:
    """Return the number of rows of all tables."""
    return sum(connection.execute(select(func.count()).select_from(table)).scalar_one() for table in ORDER)


def write_portable(connection: Connection, target: Path, *, progress: Progress | None = None) -> None:
    """Write all rows that a connection sees.

    Raises
    ------
    OSError
        If it cannot be written; nothing is left behind.
    """
    total = count_rows(connection) if progress is not None else 0
    with (
        written_whole(target) as part,
        part.open("wb") as raw,
        gzip.GzipFile("", "wb", fileobj=raw, mtime=0) as file,
    ):
        _write(connection, file, _every(progress, total))


def read_portable(source: Path, *, take: Callable[[str, list[dict[str, Any]]], None]) -> None:
    """Read such a copy, and hand its rows over, each table after those it points to.

    Parameters
    ----------
    source : Path
        The file.
    take : callable
        Called with a table's name and some rows. If this function raises, what it was given is void.

    Raises
    ------
    ExchangeError
        If it is no such copy, is cut short, was changed, or another version wrote it.
    OSError
        If it cannot be read.
    """
    try:
        with gzip.open(source, "rb") as file:
            _read(file, source.name, take)
    except (EOFError, zlib.error, gzip.BadGzipFile, UnicodeDecodeError, ValueError) as error:
        raise ExchangeError(f"{source.name} is cut short or damaged ({error}). Take another copy.") from error


def _write(connection: Connection, file: gzip.GzipFile, report: Callable[[int], None]) -> None:
    file.write(f"{json_text({'schema': SCHEMA, 'tables': HEAD})}\n".encode())
    digest, rows = hashlib.sha256(), 0
    for table in ORDER:
        wanted = select(table).order_by(*table.primary_key.columns).execution_options(yield_per=AT_ONCE)
        with connection.execute(wanted) as found:  # closed at once when the work is stopped
            for row in found.mappings():
                line = f"{json_text([table.name, json_value(dict(row))])}\n".encode()
                digest.update(line)
                file.write(line)
                rows += 1
                report(rows)
    file.write(f"{json_text({'rows': rows, 'sha256': digest.hexdigest()})}\n".encode())


def _read(file: gzip.GzipFile, name: str, take: Callable[[str, list[dict[str, Any]]], None]) -> None:
    first = next(iter(file), b"")
    if not first:
        raise ExchangeError(f"{name} is empty. Nothing was changed; take another copy.")
    head = _line(first, name, 1)
    if not isinstance(head, dict) or head.get("schema") != SCHEMA:
        raise ExchangeError(f"{name} is no copy of a record. Give one that shimwise backup made.")
    if head.get("tables") not in READABLE:
        raise ExchangeError(
            f"{name} holds the tables {head.get('tables')}; this version reads {' and '.join(READABLE)}. "
            "Restore it with the version that made it, then open it with this one."
        )
    for table, batch in _batches(file, name):
        take(table, batch)


def _batches(file: gzip.GzipFile, name: str) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    digest, rows, last = hashlib.sha256(), 0, ""
    batch: list[dict[str, Any]] = []
    for number, line in enumerate(file, start=2):
        value = _line(line, name, number)
        if isinstance(value, dict):
            if value != {"rows": rows, "sha256": digest.hexdigest()}:
                raise ExchangeError(
                    f"{name} was changed, or is damaged: its sum is another. Take another copy."
                )
            if batch:
                yield last, batch
            return
        is_row = isinstance(value, list) and len(value) == 2 and isinstance(value[0], str)
        table = METADATA.tables.get(value[0]) if is_row else None
        if table is None:
            raise ExchangeError(f"{name}, line {number}, is no row of a record. Take another copy.")
        if batch and (table.name != last or len(batch) >= AT_ONCE):
            yield last, batch
            batch = []
        digest.update(line)
        rows, last = rows + 1, table.name
        batch.append(columns_from_json(table, value[1], where=f"{name}, line {number}, {table.name}"))
    raise ExchangeError(f"{name} ends before its last line. Take another copy.")


def _line(line: bytes, name: str, number: int) -> Any:
    try:
        return json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ExchangeError(f"{name}, line {number}, cannot be read ({error}). Take another copy.") from error


def _every(progress: Progress | None, total: int) -> Callable[[int], None]:
    def report(rows: int) -> None:
        if progress is not None and (rows % REPORTED_EVERY == 0 or rows == total):
            progress(rows, total)

    return report
