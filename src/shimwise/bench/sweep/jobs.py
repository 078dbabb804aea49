"""Sweeps measured beside the pages: one at a time, in a process of its own, watched and cancelled.

The frames lie in the record's folder under the sweep's id until they are measured, then in its storage where
it has one; those of a sweep that failed or was cancelled are removed.
"""

import logging
import multiprocessing
import os
import shutil
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection as Pipe
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from shimwise.bench.access.acting import HOUSE, Who, allowed
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep, sweep_task
from shimwise.bench.sweep.frame_files import keep_frames, store_frames, sweep_settings
from shimwise.bench.sweep.match import refuse_same_frames
from shimwise.bench.sweep.moves import Moves
from shimwise.bench.sweep.work import SweepCancelledError, SweepTask, measured_document
from shimwise.bench.workers import MOST_BYTES, PATIENCE_S, limit_memory
from shimwise.errors import ImagingError, ShimwiseError
from shimwise.extras import require_extra
from shimwise.record.queries import evidence

if TYPE_CHECKING:
    from shimwise.record.record import Record

MOST_WAITING = 20
MOST_KEPT = 200
"""Of jobs that are done, so many are remembered."""
STEP_S = 0.2
NICENESS = 5
WAITING, WORKING, DONE, FAILED, CANCELLED = "waiting", "working", "done", "failed", "cancelled"
_OPEN = (WAITING, WORKING)
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepJob:
    """A sweep on its way: ``state`` is ``waiting``, ``working``, ``done``, ``failed`` or ``cancelled``.

    ``what``, ``done`` and ``total`` are how far it is (0 of 0: not known); ``problem`` why it failed;
    ``id`` is the sweep's, ``title`` what a person knows it by.
    """

    id: str
    prep_id: str
    state: str
    title: str = ""
    what: str = ""
    done: int = 0
    total: int = 0
    problem: str = ""


@dataclass(slots=True)
class _Order:
    """What is to be done for a job."""

    task: SweepTask
    facts: SweepRequest
    who: Who
    place: Path


class SweepJobs:
    """Measures sweeps, one after the other.

    Parameters
    ----------
    record : Record
        Where results are kept.
    on_done : callable, optional
        Called with each job that has ended, in the worker's thread.
    """

    def __init__(self, record: "Record", *, on_done: Callable[[SweepJob], None] | None = None) -> None:
        self.on_done = on_done
        self._record = record
        self._jobs: OrderedDict[str, SweepJob] = OrderedDict()
        self._orders: dict[str, _Order] = {}
        self._changed = threading.Condition()
        self._taking = threading.Lock()
        """Held while frames are compared with those before them, so that no two of the same pass together."""
        self._is_stopping = False
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread that works; returns at once."""
        with self._changed:
            if self._thread is None:
                self._is_stopping = False
                self._thread = threading.Thread(target=self._run, name="sweeps", daemon=True)
                self._thread.start()

    def stop(self) -> None:
        """End what is under way; what was not done counts as cancelled."""
        with self._changed:
            self._is_stopping = True
            for job in [job for job in self._jobs.values() if job.state in _OPEN]:
                self._jobs[job.id] = replace(job, state=CANCELLED)
            self._changed.notify_all()
            thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(5)
        with self._changed:
            self._next()  # of those that were cancelled the frames go

    def begin(
        self,
        prep_id: str,
        *,
        sweep_id: str,
        files: Iterable[tuple[str, IO[bytes]]],
        facts: SweepRequest,
        who: Who,
        moves: Moves | None = None,
    ) -> SweepJob:
        """Take a sweep's frames and have them measured; the same id begun again is one job, or one sweep.

        Parameters
        ----------
        files : iterable of (name, open file)
            As :func:`shimwise.bench.sweep.frame_files.keep_frames`.
        moves : Moves, optional
            What moved, where no ``sweep.json`` is among the files: one is made.

        Raises
        ------
        InputError, NotFound, Conflict, RecordFull
            As :func:`shimwise.bench.sweep.evidence.sweep_task` and ``keep_frames``; when ``sweep.json`` is
            not among the files; when too many wait already; when the id is that of another sweep. Then no
            frame is kept.
        """
        require_extra("frames", "Measuring a sweep")
        allowed(self._record, who, Act.READ)
        task = sweep_task(self._record, prep_id, place="", facts=facts)  # refuses before anything is written
        title = f"{task.lens} on {task.body} at {facts.distance_text.strip()}"
        known = self._reserved(sweep_id, prep_id, facts, title=title)
        if known is not None:
            return known
        place = None
        try:
            place = keep_frames(self._record, sweep_id, files)
            if moves is not None:
                _describe(place, moves)
            _refuse_without_settings(place)
            _refuse_without_pitch(place, task)
            with self._taking:
                return self._taken(sweep_id, prep_id, place=place, facts=facts, who=who)
        except BaseException:
            with self._changed:
                self._jobs.pop(sweep_id, None)
            if place is not None:
                shutil.rmtree(place, ignore_errors=True)
            raise

    def _taken(self, sweep_id: str, prep_id: str, *, place: Path, facts: SweepRequest, who: Who) -> SweepJob:
        """Put frames that are those of no sweep before them into the line."""
        with self._changed:
            waiting = [(self._orders[job.id].place, job.title) for job in self._of_line(prep_id)]
        task = sweep_task(self._record, prep_id, place=place, facts=facts)
        refuse_same_frames(place, waiting)
        with self._changed:
            self._orders[sweep_id] = _Order(task=task, facts=facts, who=who, place=place)
            self._changed.notify_all()
            return self._jobs[sweep_id]

    def _of_line(self, prep_id: str) -> list[SweepJob]:
        """Return the jobs of a prep that are under way and whose frames are there."""
        return [
            job
            for job in self._jobs.values()
            if job.prep_id == prep_id and job.state in _OPEN and job.id in self._orders
        ]

    def _reserved(self, sweep_id: str, prep_id: str, facts: SweepRequest, *, title: str) -> SweepJob | None:
        """Return the job that is known by this id already; else put one into the line, whose frames come."""
        kept = self._kept(sweep_id, prep_id, facts)
        with self._changed:
            known = self._jobs.get(sweep_id)
            if known is not None and known.prep_id != prep_id:
                raise _of_another(sweep_id)
            if kept is not None or (known is not None and known.state in (*_OPEN, DONE)):
                return kept or known
            if sum(job.state in _OPEN for job in self._jobs.values()) >= MOST_WAITING:
                raise InputError(
                    f"would wait behind {MOST_WAITING} others. Send it when they are done.", field="files"
                )
            self._jobs[sweep_id] = SweepJob(id=sweep_id, prep_id=prep_id, state=WAITING, title=title)
            ended = [job.id for job in self._jobs.values() if job.state not in _OPEN]
            for old in ended[: max(0, len(self._jobs) - MOST_KEPT)]:
                del self._jobs[old]
        return None

    def _kept(self, sweep_id: str, prep_id: str, facts: SweepRequest) -> SweepJob | None:
        """Return the sweep of this id as a job that is done, where the record holds it: its frames stay."""
        with self._record.reading() as connection:
            try:
                row = evidence.sweep(connection, sweep_id)
            except NotFound:
                return None
        if (row.prep_id, row.body_id, row.lens_id) != (prep_id, facts.body_id, facts.lens_id):
            raise _of_another(sweep_id)
        return SweepJob(id=sweep_id, prep_id=prep_id, state=DONE)

    def job(self, sweep_id: str, *, prep_id: str | None = None) -> SweepJob:
        """Return how far a job is; with ``prep_id`` it has to be one of that prep.

        Raises
        ------
        NotFound
            If there is none of this id.
        """
        with self._changed:
            return self._job(sweep_id, prep_id)

    def jobs(self, prep_id: str) -> tuple[SweepJob, ...]:
        """Return the jobs of a prep that are under way or failed, oldest first."""
        with self._changed:
            return tuple(
                job for job in self._jobs.values() if job.prep_id == prep_id and job.state in (*_OPEN, FAILED)
            )

    def cancel(self, sweep_id: str, *, prep_id: str | None = None, who: Who = HOUSE) -> SweepJob:
        """Cancel a job; one that has ended stays as it ended. Errors as :meth:`job`."""
        allowed(self._record, who, Act.READ)
        with self._changed:
            job = self._job(sweep_id, prep_id)
            if job.state in _OPEN:
                job = self._jobs[sweep_id] = replace(job, state=CANCELLED)
                self._changed.notify_all()
        return job

    def dismiss(self, sweep_id: str, *, prep_id: str | None = None, who: Who = HOUSE) -> None:
        """Forget a job that failed or was cancelled; others stay as they are. Errors as :meth:`job`."""
        allowed(self._record, who, Act.READ)
        with self._changed:
            if self._job(sweep_id, prep_id).state in (FAILED, CANCELLED):
                del self._jobs[sweep_id]

    def _job(self, sweep_id: str, prep_id: str | None) -> SweepJob:
        found = self._jobs.get(sweep_id)
        if found is None or prep_id not in (None, found.prep_id):
            raise NotFound("sweep under way", sweep_id)
        return found

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._next() is not None or self._is_stopping)
                sweep_id = self._next()
                if self._is_stopping or sweep_id is None:
                    return
                order = self._orders[sweep_id]
                self._jobs[sweep_id] = replace(self._jobs[sweep_id], state=WORKING)
            job = self._work(sweep_id, order)
            with self._changed:
                self._jobs[sweep_id] = job
                self._orders.pop(sweep_id, None)
            if job.state != DONE or self._record.storage is not None:
                shutil.rmtree(order.place, ignore_errors=True)
            if self.on_done is not None:
                self.on_done(job)

    def _next(self) -> str | None:
        for sweep_id in list(self._orders):
            job = self._jobs.get(sweep_id)
            if job is not None and job.state == WAITING:
                return sweep_id
            if job is None or job.state == CANCELLED:
                shutil.rmtree(self._orders.pop(sweep_id).place, ignore_errors=True)
        return None

    def _work(self, sweep_id: str, order: _Order) -> SweepJob:
        """Measure one sweep and keep its result; gives the job as it ended."""
        try:
            document = self._measured(sweep_id, order.task)
            self._end_cancelled(sweep_id)
            keep_sweep(
                self._record,
                self.job(sweep_id).prep_id,
                facts=order.facts,
                document=document,
                frames_place=store_frames(self._record, order.place),
                who=order.who,
                id=sweep_id,
            )
        except SweepCancelledError:
            return replace(self.job(sweep_id), state=CANCELLED)
        except ShimwiseError as error:
            return replace(self.job(sweep_id), state=FAILED, problem=str(error))
        except Exception:  # the thread has to live on, and the fault to be shown
            _LOG.exception("Measuring the sweep %s failed", sweep_id)
            return replace(
                self.job(sweep_id),
                state=FAILED,
                problem="The measuring ended without an answer. Try it with fewer frames.",
            )
        return replace(self.job(sweep_id), state=DONE)

    def _measured(self, sweep_id: str, task: SweepTask) -> dict[str, Any]:
        """Measure in a process of its own, which ends when the job is cancelled."""
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_measure, args=(task, theirs), daemon=True)
        process.start()
        theirs.close()
        try:
            heard_s = time.monotonic()
            while True:
                self._end_cancelled(sweep_id)
                if not mine.poll(STEP_S):
                    if time.monotonic() - heard_s > PATIENCE_S:
                        raise ImagingError(
                            f"The measuring came no step further in {PATIENCE_S:g} s and was ended. Look "
                            "whether the frames open elsewhere, and send them again."
                        )
                    continue
                kind, report = mine.recv()
                heard_s = time.monotonic()
                if kind == "progress":
                    self._report(sweep_id, *report)
                elif kind == "failed":
                    raise ImagingError(report)
                else:
                    return dict(report)
        finally:
            process.terminate()
            process.join(5)
            mine.close()

    def _end_cancelled(self, sweep_id: str) -> None:
        if self.job(sweep_id).state == CANCELLED:
            raise SweepCancelledError

    def _report(self, sweep_id: str, what: str, done: int, total: int) -> None:
        with self._changed:
            job = self._jobs[sweep_id]
            if job.state == WORKING:
                self._jobs[sweep_id] = replace(job, what=what, done=done, total=total)


def _describe(place: Path, moves: Moves) -> None:
    """Make ``sweep.json`` of what moved, unless it came with the frames."""
    from shimwise.bench.sweep.describe import describe, has_description, write_description
    from shimwise.imaging.frames.recording import Recording

    if not has_description(place):
        write_description(place, describe(place, moves, Recording()))


def _refuse_without_settings(place: Path) -> None:
    """Refuse frames without their positions.

    Raises
    ------
    InputError
        When ``sweep.json`` is not among them.
    """
    if not (place / "sweep.json").is_file():
        raise InputError(
            "sweep.json is not among the files: it lists each frame's position. Send it with the frames, "
            "all of them together, or say what moved.",
            field="files",
        )


def _refuse_without_pitch(place: Path, task: SweepTask) -> None:
    """Refuse a chart's frames at once where nothing says the pixel pitch, with which its rings are measured.

    Raises
    ------
    InputError
        Names the body and where to write it down.
    """
    stated = (source.get("pitch_um") for source in (sweep_settings(place), task.usual, task.recording))
    if (place / "chart.json").is_file() and all(value is None for value in stated):
        raise InputError(
            f"The pixel pitch of {task.body} is not known, and the rings of a chart are measured with it. "
            "Write it down on the body's page, under Change what is known, or as pitch_um in sweep.json.",
            field="files",
        )


def _of_another(sweep_id: str) -> Conflict:
    return Conflict(
        f"The id {sweep_id} is that of another sweep already. Send this one with an id of its own.",
        kind="sweep",
        id=sweep_id,
    )


def _measure(task: SweepTask, out: Pipe) -> None:
    """Measure in this process, and send progress and the result on."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    limit_memory(MOST_BYTES)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    try:
        out.send(("done", measured_document(task, progress=lambda *step: out.send(("progress", step)))))
    except ShimwiseError as error:
        out.send(("failed", str(error)))
    except MemoryError:
        out.send(
            (
                "failed",
                f"Measuring these frames takes more than {MOST_BYTES / 1024**3:g} GB of memory, the limit "
                "for what is sent. Send fewer frames, or measure them with shimwise sweep.",
            )
        )
