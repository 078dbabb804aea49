"""Changes of many threads, written one after the other and made durable together.

A commit waits for the disk, several milliseconds. When twenty people save at once, each change still runs
alone, in a savepoint of its own; the last of those that wait commits for all, and nobody is answered before
that. Beside a commit for each change (measured: ``benchmarks/RESULTS.md``), twenty people who press at the
same moment wait about half as long.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from sqlalchemy import Connection

LONGEST_GROUP_S = 0.015
"""After so long a group takes no more changes and commits: about what a commit takes. [s]"""
PATIENCE = 12
"""A commit is waited for so many times as long as a turn: a slow disk may still keep the change."""


@dataclass(slots=True, eq=False)
class _Group:
    connection: Connection
    began_s: float = field(default_factory=time.monotonic)
    has_changes: bool = False
    is_broken: bool = False
    done: threading.Event = field(default_factory=threading.Event)
    error: BaseException | None = None

    def takes_more(self) -> bool:
        return not self.is_broken and time.monotonic() - self.began_s < LONGEST_GROUP_S


class GroupCommit:
    """Let one change at a time write.

    Parameters
    ----------
    begin : callable
        Opens a connection with a transaction that may write; called by the first of a group.
    waited_s : float
        How long a change waits for its turn. [s]
    busy : callable
        Returns the error of a change whose turn did not come: it is not made.
    unsure : callable
        Returns the error of a change whose commit did not end within the given time [s]: it may be kept.
    """

    def __init__(
        self,
        begin: Callable[[], Connection],
        *,
        waited_s: float,
        busy: Callable[[], Exception],
        unsure: Callable[[float], Exception],
    ) -> None:
        self._begin, self._waited_s, self._busy, self._unsure = begin, waited_s, busy, unsure
        self._mutex = threading.Lock()
        self._queue: list[threading.Event] = []
        self._is_held = False
        self._group: _Group | None = None
        self._owner: int | None = None

    @contextmanager
    def turn(self) -> Iterator[Connection]:
        """Wait for this thread's turn; on leaving, what it wrote is on disk.

        Raises
        ------
        Exception
            That of ``busy`` if the turn did not come in time; the database's own if the commit failed.
            Then nothing of the change is kept. That of ``unsure`` if the commit has not ended: it may be.
        """
        if self._owner == threading.get_ident():
            raise RuntimeError("a change was begun within a change of the same thread")
        self._wait_for_turn()
        group = None  # stays None if no connection could be opened: then there is nothing to commit
        try:
            self._owner = threading.get_ident()
            group = self._join()
            with self._savepoint(group):
                yield group.connection
        finally:
            self._owner = None
            self._leave(group)
        # Reached only without an error: a change that was rolled back to its savepoint needs no commit.
        self._wait_for_commit(group)

    @contextmanager
    def _savepoint(self, group: _Group) -> Iterator[None]:
        # The first change has nothing before it that would have to be kept: it takes the group with it.
        savepoint = group.connection.begin_nested() if group.has_changes else None
        try:
            yield
            if savepoint is not None:
                savepoint.commit()
            group.has_changes = True
        except BaseException as error:
            try:
                if savepoint is not None:
                    savepoint.rollback()
            except Exception:  # the database ended the whole transaction: the others lost theirs with it
                savepoint = None
            if savepoint is None or group.connection.invalidated:
                group.is_broken, group.error = True, error
            raise

    def _join(self) -> _Group:
        if self._group is None:
            self._group = _Group(self._begin())
        return self._group

    def _wait_for_turn(self) -> None:
        mine = threading.Event()
        with self._mutex:
            if not self._is_held:
                self._is_held = True
                return
            self._queue.append(mine)
        if mine.wait(self._waited_s):
            return
        with self._mutex:
            if mine in self._queue:
                self._queue.remove(mine)
                raise self._busy()
        # Not in the queue any more: the turn was handed over between the time-out and the lock, and is ours.

    def _leave(self, group: _Group | None) -> None:
        """Pass the turn on; the last of a group commits for it.

        The turn is handed on before the commit only within a group. A new group begins after the commit,
        since the database lets one transaction write at a time.
        """
        with self._mutex:
            if self._queue and group is not None and group.takes_more():
                self._queue.pop(0).set()
                return
        try:
            if group is not None:
                self._group = None
                self._end(group)
        finally:
            with self._mutex:
                if self._queue:
                    self._queue.pop(0).set()
                else:
                    self._is_held = False

    def _end(self, group: _Group) -> None:
        try:
            if group.is_broken:
                with suppress(Exception):
                    group.connection.rollback()
            else:
                group.connection.commit()
        except BaseException as error:
            group.error = error
            with suppress(Exception):
                group.connection.rollback()
        finally:
            with suppress(Exception):
                group.connection.close()
            group.done.set()

    def _wait_for_commit(self, group: _Group) -> None:
        longest_s = PATIENCE * self._waited_s
        if not group.done.wait(longest_s):
            raise self._unsure(longest_s)
        if group.error is not None:
            raise group.error
