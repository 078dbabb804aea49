"""One open record: opened once, shared by all threads of a process, closed at the end."""

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, text

from shimwise.record.error_translation import BUSY, UNSURE, told
from shimwise.record.errors import RecordBusy, RecordUnsure
from shimwise.record.group_commit import Together
from shimwise.record.location import (
    WAITED_S,
    Place,
    engine_of,
    place_of,
    reading_options,
    writing_options,
)
from shimwise.record.names import name_key

__all__ = ["Change", "Record", "utc_now"]

WRITERS_LOCK = 7_468_697
"""Number of the advisory lock by which one change at a time writes on a server."""


def utc_now() -> datetime:
    """Tell the time. [UTC]"""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change that is being made: in one transaction, by one person, at one time."""

    connection: Connection
    at: datetime
    who: str

    def note(
        self,
        what: str,
        *,
        prep_id: str | None = None,
        unit_id: str | None = None,
        detail: Mapping[str, Any] | None = None,
    ) -> int:
        """Write a line into the journal; gives its number."""
        from shimwise.record.journal import add_line

        return add_line(self, what, prep_id=prep_id, unit_id=unit_id, detail=detail or {})


class Record:
    """One open record; safe to share among threads. Open it with :meth:`Record.open`.

    Attributes
    ----------
    url : str
        Its address, with the password hidden.
    folder : Path
        Where uploaded frames may be put.
    name : str
        The record as people know it.
    """

    def __init__(
        self, place: Place, engine: Engine, *, clock: Callable[[], datetime], waited_s: float
    ) -> None:
        self.place, self.engine, self.clock, self.waited_s = place, engine, clock, waited_s
        self.url = place.url.render_as_string(hide_password=True)
        self.folder, self.name = place.folder, place.name
        self._together = Together(self._begin, waited_s=waited_s, busy=self._busy, unsure=self._unsure)
        self._known_people: set[str] = set()
        self._watchers: list[Callable[[], None]] = []
        self._watching = threading.Lock()

    @classmethod
    def open(
        cls,
        where: str | Path | None = None,
        *,
        clock: Callable[[], datetime] = utc_now,
        waited_s: float = WAITED_S,
        is_read_only: bool = False,
    ) -> "Record":
        """Open a record, and bring its tables to this version.

        Parameters
        ----------
        where : str, Path or None
            A folder, a file, or a ``postgresql://`` address; None: the user's data folder. What is not there
            yet is made.
        clock : callable
            Tells the time.
        waited_s : float
            How long a change waits for other programs. [s]
        is_read_only : bool
            Whether the record has to be there already, and is left as it is.

        Raises
        ------
        RecordTooNew
            When a newer version wrote it.
        RecordDamaged, RecordAway, RecordBusy, RecordReadOnly, RecordFull
            When it cannot be used, with what to do.
        """
        from shimwise.record.opening import prepare

        place = place_of(where)
        engine = engine_of(place, waited_s=waited_s)
        record = cls(place, engine, clock=clock, waited_s=waited_s)
        try:
            with record.told(has_files=True):
                prepare(record, is_read_only=is_read_only)
        except BaseException:
            engine.dispose()
            raise
        return record

    def told(self, *, has_files: bool = False) -> AbstractContextManager[None]:
        """Tell what goes wrong within in this record's words; ``has_files``: errors of files too."""
        return told(self.name, waited_s=self.waited_s, has_files=has_files, path=self.place.path)

    @contextmanager
    def writing(self, *, who: str) -> Iterator[Change]:
        """Change the record: all of it or nothing; on leaving, it is on disk.

        Parameters
        ----------
        who : str
            The person's name, as it stands in the journal.

        Raises
        ------
        RecordBusy, RecordFull, RecordReadOnly, RecordAway
            When nothing was changed, with what to do.
        RecordUnsure
            When it is not known whether the change is kept.
        """
        with self.told(), self._together.turn() as connection:
            change = Change(connection=connection, at=self.clock(), who=who)
            key = name_key(who)
            if key not in self._known_people:
                from shimwise.record.queries.people import remember

                remember(change, who)
            yield change
        self._known_people.add(key)
        for watcher in tuple(self._watchers):
            watcher()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Look at the record as it is at one moment.

        Raises
        ------
        RecordAway, RecordBusy, RecordDamaged
            When it cannot be read.
        """
        with self.told(), self.engine.connect() as plain:
            connection = plain.execution_options(**reading_options(self.place))
            with connection.begin():
                yield connection

    @contextmanager
    def changing_all(self) -> Iterator[Connection]:
        """Replace everything in one transaction, as restoring does; nothing is written into the journal."""
        with self.told(), self._together.turn() as connection:
            yield connection

    def watch(self, watcher: Callable[[], None]) -> Callable[[], None]:
        """Have ``watcher`` called after each change made through this object; gives what ends that.

        It is called in the thread that made the change, and has to return at once.
        """
        with self._watching:
            self._watchers.append(watcher)

        def end() -> None:
            with self._watching:
                if watcher in self._watchers:
                    self._watchers.remove(watcher)

        return end

    def close(self) -> None:
        """Let go of the file or the server."""
        self.engine.dispose()

    def __enter__(self) -> "Record":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begin(self) -> Connection:
        connection = self.engine.connect().execution_options(**writing_options(self.place))
        try:
            connection.begin()
            if self.place.path is None:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})"))
        except BaseException:
            connection.close()
            raise
        return connection

    def _busy(self) -> RecordBusy:
        return RecordBusy(BUSY.format(waited_s=self.waited_s), where=self.name)

    def _unsure(self, waited_s: float) -> RecordUnsure:
        return RecordUnsure(UNSURE.format(waited_s=waited_s), where=self.name)
