"""Messages between the servers of one record on PostgreSQL: LISTEN and NOTIFY on one channel.

A notice is sent within a change's transaction: it arrives once that is committed, and never else. A thread
with a connection of its own hears those of the others. Nothing is kept for who does not listen, so after each
connection :data:`MISSED` is heard: look at everything again.

References
----------
.. [1] *PostgreSQL Documentation*, NOTIFY: a payload has less than 8000 bytes, and one that is sent twice
   within a transaction arrives once.
"""

import logging
import random
import selectors
import socket
import threading
from collections import deque
from collections.abc import Callable
from contextlib import closing, suppress
from typing import TYPE_CHECKING, Any, TypeAlias

from sqlalchemy import Connection, Engine, text

if TYPE_CHECKING:
    import psycopg

CHANNEL = "shimwise"
CHANGED, MISSED, MIGRATED, JOBS = "changed", "missed", "migrated", "jobs"
"""Topics: a prep has changed, by its id, or any where the payload is empty; notices may have been missed, as
the line was lost or found again; the tables have another version; a job is free, or the one of this id was
cancelled."""
MOST_BYTES = 7_900
"""Of a notice, by the database's limit."""
MOST_WAITING = 64
"""Notices outside of changes that wait for the line; beyond, the oldest is dropped."""
PROVED_S = 15.0
"""A silent line is proved as often as this. [s]"""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.1, 5.0
_LINE = {
    "autocommit": True,
    "connect_timeout": 5,
    "application_name": "shimwise hearing",
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 25_000,
}
_NOTIFY = text("SELECT pg_notify(:channel, :message)")
_LOG = logging.getLogger("shimwise.record")
Hearer: TypeAlias = Callable[[str, str], None]
"""Called with a topic and a payload; has to return at once."""


def notify(connection: Connection, speaker: str, topic: str, payload: str) -> None:
    """Send a notice to all who hear this record, once the transaction is committed; PostgreSQL alone.

    Raises
    ------
    ValueError
        If it is too long.
    """
    connection.execute(_NOTIFY, {"channel": CHANNEL, "message": _message(speaker, topic, payload)})


class Line:
    """Hears the others of a record, and speaks outside of changes; a thread of its own.

    Parameters
    ----------
    engine : Engine
        Of the record; the line has a connection beside its pool.
    speaker : str
        Under which this server speaks: its own notices are not heard again.
    heard : callable
        Called with each notice, in the line's thread; :data:`MISSED` when the line was lost or found.
    """

    def __init__(self, engine: Engine, speaker: str, heard: Hearer) -> None:
        self.is_open = False
        self._engine, self._speaker, self._heard = engine, speaker, heard
        self._unsent: deque[str] = deque(maxlen=MOST_WAITING)
        self._waker, self._woken = socket.socketpair()
        self._waker.setblocking(False)
        self._woken.setblocking(False)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hearing", daemon=True)

    def start(self) -> None:
        """Begin to hear."""
        self._thread.start()

    def notify(self, topic: str, payload: str) -> None:
        """Send a notice soon; it is dropped where the line is lost, or it is too long."""
        with suppress(ValueError):
            self._unsent.append(_message(self._speaker, topic, payload))
            self._wake()

    def close(self) -> None:
        """End the line."""
        self._ended.set()
        self._wake()
        if self._thread is not threading.current_thread():
            self._thread.join(LONGEST_WAIT_S)

    def _wake(self) -> None:
        with suppress(OSError):  # full: it is awake already; closed: it has ended
            self._waker.send(b".")

    def _run(self) -> None:
        import psycopg

        wait_s = FIRST_WAIT_S
        with closing(self._waker), closing(self._woken):
            while not self._ended.is_set():
                try:
                    with self._connected() as connection:
                        self.is_open, wait_s = True, FIRST_WAIT_S
                        self._heard(MISSED, "")
                        self._serve(connection)
                except (psycopg.Error, OSError) as error:
                    if self.is_open:
                        _LOG.warning("The record's server is lost: %s", str(error).partition("\n")[0])
                if self.is_open:
                    self.is_open = False
                    self._unsent.clear()
                    self._heard(MISSED, "")
                # Not all servers of a house at the same moment.
                self._ended.wait(wait_s * random.uniform(0.5, 1.0))  # noqa: S311 - no secret
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    def _connected(self) -> "psycopg.Connection[Any]":
        import psycopg

        _, words = self._engine.dialect.create_connect_args(self._engine.url)
        connection = psycopg.connect(**{**words, **_LINE})
        try:
            connection.add_notify_handler(lambda notice: self._take(notice.payload))
            connection.execute("SET synchronous_commit = off")  # messages are not kept
            connection.execute(f"LISTEN {CHANNEL}")
        except BaseException:
            connection.close()
            raise
        return connection

    def _serve(self, connection: "psycopg.Connection[Any]") -> None:
        with selectors.DefaultSelector() as selector:
            selector.register(connection.fileno(), selectors.EVENT_READ)
            selector.register(self._woken, selectors.EVENT_READ)
            while not self._ended.is_set():
                is_silent = not selector.select(PROVED_S)
                with suppress(BlockingIOError):
                    self._woken.recv(1024)
                while self._unsent:
                    connection.execute("SELECT pg_notify(%s, %s)", (CHANNEL, self._unsent.popleft()))
                if is_silent:
                    connection.execute("SELECT 1")
                connection.pgconn.consume_input()  # raises where the line was cut
                while (notice := connection.pgconn.notifies()) is not None:
                    self._take(notice.extra.decode())

    def _take(self, message: str) -> None:
        speaker, _, rest = message.partition(" ")
        if speaker != self._speaker:
            topic, _, payload = rest.partition(" ")
            self._heard(topic, payload)


def _message(speaker: str, topic: str, payload: str) -> str:
    message = f"{speaker} {topic} {payload}"
    if len(message.encode()) > MOST_BYTES:
        raise ValueError(f"a notice of {topic} has more than {MOST_BYTES} bytes")
    return message
