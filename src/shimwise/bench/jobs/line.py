"""A line of jobs on this server: it takes from the record what is free, one at a time, and keeps its lease.

What is asked for is put into the record by the line's own thread, so that nobody who saves waits for it. A
server that ends gives back what it holds; one that dies is not heard of until its lease ends, and another
takes over. Either way a result is kept by who holds the job alone (:meth:`HeldJob.done`).
"""

import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import replace
from typing import Any

from shimwise.bench.cluster import ClusterGone
from shimwise.bench.errors import StoreError
from shimwise.errors import ShimwiseError
from shimwise.record.hearing import JOBS, MISSED
from shimwise.record.queries import jobs
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import JobRow

LEASE_S, BEAT_S = 12.0, 2.0
"""A server that is not heard of for so long has lost its job; it is heard of as often as the second."""
POLL_S, HEARD_POLL_S = 1.0, 2.5
"""What others put in is found within this time; the second where they are heard, and in a file."""
TIDY_S = 15.0
"""How often a line that rests looks for what was left behind."""
CALM_S, LONGEST_CALM_S = 0.1, 0.5
"""It begins when nothing was asked for so long: who saves goes first; after the second though it still is."""
STOPPING_S = 5.0
MOST_TRIES = 5
"""A job on which so many servers ended is given up."""
_LOG = logging.getLogger(__name__)


class JobLost(ShimwiseError):  # noqa: N818
    """Raised when a job was cancelled, or another server took it over: nothing of it may be kept here."""

    def __init__(self) -> None:
        super().__init__("This was cancelled, or is done by another server. Nothing of it is kept here.")


class JobTriedTooOften(ShimwiseError):  # noqa: N818
    """Raised when servers ended again and again while they worked on a job."""

    code = "too_many_tries"

    def __init__(self) -> None:
        super().__init__(
            f"It was begun {MOST_TRIES} times, and each time its server ended or lost the record. Look at "
            "the servers' logs, then have it done again."
        )


class HeldJob:
    """A job that this server works on."""

    def __init__(self, job: JobRow) -> None:
        self.job = job
        self.progress: dict[str, Any] = {}
        self.is_lost = False
        self.has_ended = False
        self.is_for_good = False
        """Whether what was to be done is forgotten when the job ends: it could not be done again."""
        self.is_for_free = False
        """Whether this try does not count: those who were to do it were away."""

    def report(self, what: str, done: int, total: int) -> None:
        """Report how far it is; the other servers learn it with the next beat."""
        self.progress = {"what": what, "done": done, "total": total}

    def refuse_lost(self) -> None:
        """Raise JobLost where the job is not this server's any more."""
        if self.is_lost:
            raise JobLost

    def done(self, connection: Connection) -> None:
        """End the job in the transaction that keeps its result, which JobLost undoes if it was lost."""
        self.refuse_lost()
        if not jobs.end(connection, self.job):
            raise JobLost
        self.has_ended = True


class JobLine:
    """Takes jobs of some kinds and has them done, one after the other, in a thread of its own.

    Parameters
    ----------
    record : Record
        Where they are kept.
    kinds : collection of str
        Which ones.
    work : callable
        Does a job: calls :meth:`HeldJob.done` in the transaction that keeps the result, or returns if there
        is nothing to keep; raises ShimwiseError if it failed.
    fault : str
        The sentence of a failure for any other reason.
    on_ended : callable, optional
        Called with each job that ended here, or waits for a cluster that is away, in the line's thread.
    can_do : callable, optional
        Whether this server can do a job; what it cannot is left to the others.
    begin, tidy : callable, optional
        Called in the line's thread: once at the start, and now and then while it rests.
    """

    def __init__(
        self,
        record: Record,
        kinds: Collection[str],
        work: Callable[[HeldJob], None],
        *,
        fault: str,
        on_ended: Callable[[JobRow], None] | None = None,
        can_do: Callable[[JobRow], bool] | None = None,
        begin: Callable[[], object] = lambda: None,
        tidy: Callable[[], None] = lambda: None,
    ) -> None:
        self._record, self._kinds, self._do, self._fault = record, tuple(kinds), work, fault
        self._on_ended, self._can_do, self._begin, self._tidy = on_ended, can_do, begin, tidy
        self.server = f"{socket.gethostname()}:{os.getpid()}"
        self.is_stopping = False
        self._changed = threading.Condition()
        self._pending: dict[str, JobRow] = {}
        self._held: HeldJob | None = None
        self._is_woken = self._is_resting = self._is_away = False
        self._unhear: Callable[[], object] = lambda: None
        self._asked_s = self._tidied_s = -TIDY_S
        self._threads: tuple[threading.Thread, ...] = ()

    def start(self) -> None:
        """Start taking jobs; returns at once."""
        with self._changed:
            if self._threads:
                return
            self.is_stopping = False
            made = ((self._run, self._kinds[0]), (self._beat, f"{self._kinds[0]}, lease"))
            self._threads = tuple(
                threading.Thread(target=target, name=name, daemon=True) for target, name in made
            )
            for thread in self._threads:
                thread.start()
        self._unhear = self._record.hear(self._hear)

    def put(self, row: JobRow) -> None:
        """Queue a job; returns at once. One that waits already is one job."""
        with self._changed:
            self._pending[row.id] = row
            self._asked_s = time.monotonic()
        self.wake()

    def wake(self) -> None:
        """Look for jobs at once; from any thread."""
        with self._changed:
            if self._is_woken:  # once is enough: each waking takes its turn from those who save
                return
            self._is_woken, self._is_resting = True, False
            self._changed.notify_all()

    def is_open(self, job_id: str) -> bool:
        """Whether a job waits or is worked on, here or elsewhere."""
        with self._changed:
            if job_id in self._pending or (self._held is not None and self._held.job.id == job_id):
                return True
        with self._record.reading() as connection:
            row = jobs.job(connection, job_id)
        return row is not None and row.state in jobs.OPEN

    def progress_of(self, row: JobRow) -> "dict[str, Any]":
        """Return how far a job is, which is known best where it is worked on."""
        held = self._held
        return held.progress if held is not None and held.job.id == row.id else dict(row.progress)

    def lose(self, job_id: str) -> None:
        """End the work on a job that was cancelled, where it is worked on here."""
        with self._changed:
            if self._held is not None and self._held.job.id == job_id:
                self._held.is_lost = True

    def wait(self, timeout_s: float) -> bool:
        """Wait until there is nothing more for this server to do; False when that took longer."""
        with self._changed:
            return self._changed.wait_for(lambda: self._is_resting, timeout_s)

    def end_soon(self) -> None:
        """Take no more jobs; what is worked on here is given up."""
        with self._changed:
            self.is_stopping = True
            if self._held is not None:
                self._held.is_lost = True
            self._changed.notify_all()

    def stop(self) -> None:
        """End the line; what is worked on, and what was not put in yet, is left to the others at once."""
        self._unhear()
        self.end_soon()
        threads, self._threads = self._threads, ()
        for thread in threads:
            thread.join(STOPPING_S)
        with suppress(ShimwiseError):  # where the record is away, the lease ends by itself
            self._put_pending()
            if self._held is not None:
                self._give_back(self._held)

    def _hear(self, topic: str, payload: str) -> None:
        if topic == JOBS and payload:
            self.lose(payload)
        elif topic in {JOBS, MISSED}:
            self.wake()

    def _run(self) -> None:
        self._begin()
        while not self.is_stopping:
            try:
                self._let_saves_pass()
                held = self._taken()
                self._is_away = False
            except Exception as error:  # the record is away, most likely: what was asked for is kept here
                if not self._is_away:
                    is_fault = not isinstance(error, ShimwiseError)
                    _LOG.warning("No job can be taken now: %s", error, exc_info=is_fault)
                held, self._is_away = None, True
            if held is not None:
                self._work(held)
                continue
            self._look_around()
            is_heard = self._record.is_hearing or self._record.location.path is not None
            poll_s = HEARD_POLL_S if is_heard else POLL_S
            with self._changed:
                self._is_resting = not (self._is_woken or self._pending)
                self._changed.notify_all()
                self._changed.wait_for(lambda: self._is_woken or self.is_stopping, poll_s)

    def _let_saves_pass(self) -> None:
        """Wait while jobs still come in: the work shares disk and processor with those who save."""
        latest_s = time.monotonic() + LONGEST_CALM_S
        with self._changed:
            while not self.is_stopping:
                left_s = min(self._asked_s + CALM_S, latest_s) - time.monotonic()
                if left_s <= 0:
                    return
                self._changed.wait(left_s)

    def _taken(self) -> HeldJob | None:
        """Queue what was asked for and take a job, in one transaction; in none if nothing is free."""
        with self._changed:
            self._is_woken = False
            has_pending = bool(self._pending)
        ids = None
        if self._can_do is not None or not has_pending:
            with self._record.reading() as connection:
                free = jobs.free(connection, self._kinds)
            ids = [row.id for row in free if self._can_do is None or self._can_do(row)]
            if not (ids or has_pending):
                return None
        row = self._put_pending(is_taking=True, ids=ids)
        if row is None:
            return None
        with self._changed:
            self._held, self._is_resting = HeldJob(row), False
            self._changed.notify_all()
            return self._held

    def _put_pending(self, *, is_taking: bool = False, ids: Collection[str] | None = None) -> JobRow | None:
        with self._changed:
            rows, self._pending = self._pending, {}
        if not (rows or is_taking):
            return None
        try:
            with self._record.working() as connection:
                jobs.put(connection, rows.values())
                taken = None
                if is_taking:
                    taken = jobs.take(connection, self._kinds, server=self.server, lease_s=LEASE_S, ids=ids)
        except BaseException:
            with self._changed:
                self._pending = rows | self._pending
            raise
        if rows:
            self._record.notify(JOBS)
        return taken

    def _look_around(self) -> None:
        if time.monotonic() - self._tidied_s >= TIDY_S:
            self._tidied_s = time.monotonic()
            try:
                self._tidy()
            except ShimwiseError:  # the next round makes it good
                pass
            except Exception:  # the thread has to live on
                _LOG.exception("What was left of jobs could not be looked for")

    def _work(self, held: HeldJob) -> None:
        ended = self._outcome(held)
        try:
            if not (held.has_ended or self.is_stopping or ended.state == jobs.WORKING):
                with self._record.working() as connection:
                    held.has_ended = jobs.end(
                        connection,
                        held.job,
                        state=ended.state,
                        problem=ended.problem,
                        problem_code=ended.problem_code,
                        is_for_good=held.is_for_good,
                    )
            elif not held.has_ended:
                self._give_back(held, problem=ended.problem, code=ended.problem_code)
        except ShimwiseError as error:
            _LOG.warning("The end of the job %s is not kept, and it is done again: %s", held.job.id, error)
        finally:
            with self._changed:
                self._held = None
                self._changed.notify_all()
        if self._on_ended is not None and (held.has_ended or held.is_for_free):
            self._on_ended(ended if held.has_ended else replace(ended, state=jobs.WAITING))

    def _outcome(self, held: HeldJob) -> JobRow:
        """Do a job; return it as it ended, still as worked on where it is to be given back."""
        row = held.job
        try:
            _refuse_deadly(row)
            self._do(held)
        except JobLost:
            self._tidied_s = -TIDY_S  # what it leaves is looked for at once
            return row
        except StoreError as error:
            _LOG.warning("The job %s is left for another time: %s", row.id, error)
            held.has_ended = False  # its transaction failed
            self._rest()
            return row
        except ClusterGone as error:  # no fault of the job: it waits until the cluster is back
            held.is_for_free = True
            self._rest()
            return replace(row, problem=str(error), problem_code=error.code)
        except ShimwiseError as error:
            return replace(row, state=jobs.FAILED, problem=str(error), problem_code=error.code)
        except Exception:  # the thread has to live on, and the fault to be shown
            if not self.is_stopping:
                _LOG.exception("The job %s failed", row.id)
            return replace(row, state=jobs.FAILED, problem=self._fault, problem_code="fault")
        return replace(row, state=jobs.DONE)

    def _rest(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self.is_stopping, POLL_S)

    def _give_back(self, held: HeldJob, *, problem: str = "", code: str = "") -> None:
        is_counted = not (self.is_stopping or held.is_for_free)
        with self._record.working() as connection:
            jobs.give_back(connection, held.job, is_counted=is_counted, problem=problem, problem_code=code)

    def _beat(self) -> None:
        """Keep the lease of what is worked on, and put in what is asked for meanwhile: others may be free."""
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self.is_stopping or self._held is not None)
                self._changed.wait_for(lambda: self.is_stopping, BEAT_S)
                held = self._held
                if self.is_stopping:
                    return
            if held is None:
                continue
            with suppress(ShimwiseError):  # the lease ends, or the next beat is in time
                self._put_pending()
                with self._record.working() as connection:
                    if not jobs.beat(connection, held.job, lease_s=LEASE_S, progress=held.progress):
                        held.is_lost = True


def _refuse_deadly(row: JobRow) -> None:
    if row.tries > MOST_TRIES:
        raise JobTriedTooOften
