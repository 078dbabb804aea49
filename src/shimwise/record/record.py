"""One open record: opened once, shared by all threads of a process, closed at the end."""

import logging
import secrets
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection, Engine, select, text

from shimwise.record.damage import DamageWatch
from shimwise.record.error_translation import BUSY, DAMAGED, EMPTIED, GONE, REPLACED, UNSURE, translated
from shimwise.record.errors import (
    RecordAway,
    RecordBusy,
    RecordDamaged,
    RecordTooNew,
    RecordUnsure,
    StoreError,
)
from shimwise.record.group_commit import GroupCommit
from shimwise.record.hearing import MIGRATED, MISSED, Hearer, Line, notify
from shimwise.record.journal import Change
from shimwise.record.location import (
    READERS,
    WAITED_S,
    Location,
    engine_of,
    location_of,
    reading_options,
    writing_options,
)
from shimwise.record.names import name_key
from shimwise.record.opening import prepare, refuse_newer
from shimwise.record.queries.people import remember
from shimwise.record.storage import Storage
from shimwise.record.tables import schema

__all__ = ["Change", "Connection", "Record", "utc_now"]
"""The types that whoever works with a record names."""

WRITERS_LOCK = 7_468_697
"""Number of the advisory lock by which one change at a time writes on a server."""
_LOG = logging.getLogger("shimwise.record")


def utc_now() -> datetime:
    """Return the time. [UTC]"""
    return datetime.now(UTC)


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
    storage : Storage or None
        Where uploaded frames are kept for all servers; None: in the folder.
    """

    def __init__(
        self, location: Location, engine: Engine, *, clock: Callable[[], datetime], waited_s: float
    ) -> None:
        self.location, self.engine, self.clock, self.waited_s = location, engine, clock, waited_s
        self.url = location.url.render_as_string(hide_password=True)
        self.folder, self.name = location.folder, location.name
        self.storage: Storage | None = None
        self._turns = GroupCommit(self._begin, waited_s=waited_s, busy=self._busy, unsure=self._unsure)
        self._known_people: set[str] = set()
        self._speaker = secrets.token_hex(4)
        self._hearers: list[Hearer] = []
        self._line: Line | None = None
        self._hearing = threading.Lock()
        self._too_new = ""
        self._file = _identity(location.path)
        self._damage = DamageWatch(location.path, location.name)

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
            Returns the time.
        waited_s : float
            How long a change waits for other programs. [s]
        is_read_only : bool
            Whether the record has to be there already, and is left as it is.

        Raises
        ------
        RecordTooNew
            If a newer version wrote it.
        RecordDamaged, RecordAway, RecordBusy, RecordReadOnly, RecordFull
            If it cannot be used, with what to do.
        """
        location = location_of(where)
        engine = engine_of(location, waited_s=waited_s)
        record = cls(location, engine, clock=clock, waited_s=waited_s)
        try:
            with record.translated(has_files=True):
                prepare(engine, location, is_read_only=is_read_only)
                record._file = _identity(location.path)
        except BaseException:
            engine.dispose()
            raise
        return record

    def translated(self, *, has_files: bool = False) -> AbstractContextManager[None]:
        """Translate errors of the database within; ``has_files``: those of files too."""
        path = self.location.path
        return translated(self.name, waited_s=self.waited_s, has_files=has_files, path=path)

    @contextmanager
    def writing(self, *, who: str) -> Iterator[Change]:
        """Change the record: all of it or nothing; on leaving, it is on disk.

        Parameters
        ----------
        who : str
            The person's name, as it is written into the journal.

        Raises
        ------
        RecordBusy, RecordFull, RecordReadOnly, RecordAway
            If nothing was changed, with what to do.
        RecordUnsure
            If it is not known whether the change is kept.
        """
        self._refuse_moved()
        with self._damage.blaming(), self.translated(), self._turns.turn() as connection:
            key = name_key(who)
            if key not in self._known_people:
                remember(connection, who)
            change = Change(connection=connection, at=self.clock(), who=who)
            yield change
            notices = change.heard()
            for topic, payload in notices if self.location.path is None else ():
                notify(connection, self._speaker, topic, payload)
        # Looked at again before anybody is answered: SQLite commits into a file that was deleted meanwhile.
        self._refuse_moved()
        self._known_people.add(key)  # only now: a change that was given up took the new person with it
        for topic, payload in notices:
            self._heard(topic, payload)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Read the record as it is at one moment.

        Raises
        ------
        RecordAway, RecordBusy, RecordDamaged
            If it cannot be read.
        """
        self._refuse_moved()
        with self._damage.blaming(), self.translated(), self.engine.connect() as raw:
            connection = raw.execution_options(**reading_options(self.location))
            with connection.begin():
                yield connection

    @contextmanager
    def changing_all(self) -> Iterator[Connection]:
        """Replace everything in one transaction, as restoring does; nothing is written into the journal."""
        with self.translated(), self._turns.turn() as connection:
            yield connection

    def open_connections(self) -> None:
        """Open the connections to a file that twenty who save at once need: each costs as much as a save."""
        if self.location.path is None:  # a server's are few, and shared by all who hear it
            return
        with suppress(StoreError), ExitStack() as held:
            for _ in range(READERS):
                held.enter_context(self.reading()).execute(select(schema.preps.c.id).limit(1))

    def prove(self) -> None:
        """Ask the record something small; raise as :meth:`reading` where it cannot be used."""
        with self.reading() as connection:
            self._refuse_newer(connection)

    @contextmanager
    def working(self) -> Iterator[Connection]:
        """Change the jobs: work is no evidence, so nothing is written into the journal.

        A file lets one transaction write at a time, so it takes its turn there; on a server it waits for no
        one who writes evidence, and those do not wait for it.
        """
        self._refuse_moved()
        with self._damage.blaming(), self.translated():
            if self.location.path is not None:
                with self._turns.turn() as connection:
                    yield connection
            else:
                with self.engine.begin() as connection:
                    yield connection

    def refuse_damage(self) -> None:
        """Check every page of the file; raise RecordDamaged if one is damaged. A server guards its own."""
        self._damage.refuse_damage()

    def hear(self, hearer: Hearer) -> Callable[[], None]:
        """Have ``hearer`` called with the notices of changes, topic and payload; return what ends that.

        Those made through this object are heard in the thread that made them, once they are kept; on
        PostgreSQL those of all other servers too, in a thread of its own. A hearer has to return at once.
        """
        with self._hearing:
            self._hearers.append(hearer)
            if self._line is None and self.location.path is None:
                self._line = Line(self.engine, self._speaker, self._heard)
                self._line.start()

        def end() -> None:
            with self._hearing:
                if hearer in self._hearers:
                    self._hearers.remove(hearer)

        return end

    @property
    def is_hearing(self) -> bool:
        """Whether the changes of all other programs are heard now."""
        return self._line is not None and self._line.is_open

    def notify(self, topic: str, payload: str = "") -> None:
        """Send a notice to the other servers that hear this record, outside of a change; it may be lost."""
        if self._line is not None:
            self._line.notify(topic, payload)

    def close(self) -> None:
        """Close the file, or the connections to the server."""
        if self._line is not None:
            self._line.close()
        self.engine.dispose()

    def __enter__(self) -> "Record":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _heard(self, topic: str, payload: str) -> None:
        if topic in {MISSED, MIGRATED} and self.is_hearing:
            with suppress(StoreError), self.translated(), self.engine.connect() as connection:
                self._refuse_newer(connection)
        for hearer in tuple(self._hearers):
            try:
                hearer(topic, payload)
            except Exception:  # the others hear it all the same
                _LOG.exception("A notice [%s] was not taken", topic)

    def _refuse_newer(self, connection: Connection) -> None:
        """Raise if a newer program has changed the tables, now and for all that comes."""
        try:
            refuse_newer(connection, self.name)
        except RecordTooNew as error:
            self._too_new = error.reason
            raise

    def _refuse_moved(self) -> None:
        """Raise if it is not what was opened: the file is another or empty, a newer program changed it."""
        if self._too_new:
            raise RecordTooNew(self._too_new, where=self.name)
        if self.location.path is None:
            return
        found = _identity(self.location.path)
        if found is None:
            raise RecordAway(GONE, where=self.name)
        device, number, is_empty = found
        if (device, number) != (self._file or found)[:2]:
            raise RecordBusy(REPLACED, where=self.name)
        if is_empty:
            raise RecordDamaged(DAMAGED.format(cause=EMPTIED), where=self.name)

    def _begin(self) -> Connection:
        connection = self.engine.connect().execution_options(**writing_options(self.location))
        try:
            connection.begin()
            if self.location.path is None:
                connection.execute(text(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})"))
                self._refuse_newer(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _busy(self) -> RecordBusy:
        return RecordBusy(BUSY.format(waited_s=self.waited_s), where=self.name)

    def _unsure(self, waited_s: float) -> RecordUnsure:
        return RecordUnsure(UNSURE.format(waited_s=waited_s), where=self.name)


def _identity(path: Path | None) -> tuple[int, int, bool] | None:
    """Return device and number of a file, and whether it is empty; None if there is none."""
    try:
        found = path.stat() if path is not None else None
    except OSError:
        return None
    return None if found is None else (found.st_dev, found.st_ino, found.st_size == 0)
