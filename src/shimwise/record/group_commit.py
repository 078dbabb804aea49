"""Changes of many threads, written one after the other and made durable together.

A commit waits for the disk, several milliseconds. When twenty people save at once, each change still runs
alone, in a savepoint of its own; the last of those that wait commits for all, and nobody is answered before
that.
"""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from sqlalchemy import Connection

__all__ = ["Together"]

LONGEST_TOGETHER_S = 0.015
"""After so long a group takes no more changes in and commits. [s]"""
PATIENCE = 12
"""A commit is waited for so many times as long as a turn."""


@dataclass(slots=True, eq=False)
class _Group:
    connection: Connection
    began_s: float = field(default_factory=time.monotonic)
    is_broken: bool = False
    done: threading.Event = field(default_factory=threading.Event)
    error: BaseException | None = None

    def takes_more(self) -> bool:
        return not self.is_broken and time.monotonic() - self.began_s < LONGEST_TOGETHER_S


class Together:
    """Lets one change at a time write.

    Parameters
    ----------
    begin : callable
        Opens a connection with a transaction that may write; called by whoever comes first.
    waited_s : float
        How long a change waits for its turn. [s]
    busy : callable
        Makes the error of a change whose turn did not come: it is not made.
    unsure : callable
        Makes the error of a change whose commit did not end within the given time [s]: it may be kept.
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
        """Give this thread its turn; on leaving, what it wrote is on disk.

        Raises
        ------
        Exception
            That of ``busy`` when the turn did not come in time; the database's own when the commit failed.
            Then nothing of the change is kept. That of ``unsure`` when the commit has not ended: it may be.
        """
        if self._owner == threading.get_ident():
            raise RuntimeError("a change was begun within a change of the same thread")
        self._wait_for_turn()
        group = None
        try:
            self._owner = threading.get_ident()
            group = self._join()
            with self._savepoint(group):
                yield group.connection
        finally:
            self._owner = None
            self._leave(group)
        if group is not None:
            self._wait_for_commit(group)

    @contextmanager
    def _savepoint(self, group: _Group) -> Iterator[None]:
        savepoint = group.connection.begin_nested()
        try:
            yield
            savepoint.commit()
        except BaseException as error:
            try:
                savepoint.rollback()
            except Exception:  # the database ended the whole transaction: the others lost theirs with it
                group.is_broken, group.error = True, error
            if group.connection.invalidated:
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
        # The turn came at the last moment.

    def _leave(self, group: _Group | None) -> None:
        """Hand the turn on; whoever is last in a group ends it."""
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
