"""Sweeps measured beside the pages: one at a time, in a process of its own, watched and cancelled.

The frames lie in the record's folder under the sweep's id; those of a sweep that failed or was cancelled are
removed.
"""

import json
import logging
import multiprocessing
import os
import re
import shutil
import signal
import threading
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection as Pipe
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, Any

from shimwise.bench.prep_evidence import SweepFacts, keep_sweep, sweep_task
from shimwise.bench.refusals import InputError, NotFound, RecordFull
from shimwise.bench.sweep_work import SweepCancelledError, SweepTask, measured_document
from shimwise.bench.typed_names import id_or_new, typed_name
from shimwise.errors import ImagingError, ShimwiseError

if TYPE_CHECKING:
    from shimwise.records.store import Record

__all__ = ["MOST_FILES", "SweepJob", "SweepJobs", "frames_folder", "keep_frames", "safe_file_name"]

MOST_FILES = 500
MOST_WAITING = 20
MOST_KEPT = 200
"""Of jobs that are done, so many are remembered."""
STEP_S = 0.2
COPY_BYTES = 2**20
NICENESS = 5
WAITING, WORKING, DONE, FAILED, CANCELLED = "waiting", "working", "done", "failed", "cancelled"
_OPEN = (WAITING, WORKING)
_NAME = re.compile(r"[\w][\w .()+-]{0,119}")
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepJob:
    """A sweep on its way: ``state`` is ``waiting``, ``working``, ``done``, ``failed`` or ``cancelled``.

    ``what``, ``done`` and ``total`` tell how far it is (0 of 0: not known); ``problem`` why it failed;
    ``id`` is the sweep's.
    """

    id: str
    prep_id: str
    state: str
    what: str = ""
    done: int = 0
    total: int = 0
    problem: str = ""


@dataclass(slots=True)
class _Order:
    """What is to be done for a job."""

    task: SweepTask
    facts: SweepFacts
    who: str
    place: Path


def keep_frames(record: "Record", sweep_id: str, files: Iterable[tuple[str, IO[bytes]]]) -> Path:
    """Put uploaded frames into the place of a sweep: all of them or none.

    Parameters
    ----------
    sweep_id : str
        Made by the client or by :func:`shimwise.bench.typed_names.id_or_new`.
    files : iterable of (name, open file)
        Stills, or a clip, with ``sweep.json`` and ``chart.json`` where there are.

    Raises
    ------
    InputError
        When there are none or too many, or a name cannot be.
    RecordFull
        When there is no room.
    """
    named = [(safe_file_name(name), file) for name, file in files]
    if not 0 < len(named) <= MOST_FILES:
        raise InputError(f"are {len(named)}; send 1 to {MOST_FILES} files.", field="files")
    names = [name.casefold() for name, _ in named]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError("is sent twice. Give each file its own name.", field="files", typed=twice)
    place = frames_folder(record, sweep_id)
    part = place.with_name(f".{place.name}.part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True)
        for name, file in named:
            with (part / name).open("xb") as out:
                shutil.copyfileobj(file, out, COPY_BYTES)
        _sort_into_folders(part, {name for name, _ in named})
        if not place.exists():
            part.rename(place)
    except OSError as error:
        raise RecordFull(
            f"cannot keep the frames: {error.strerror}. Make room, then send them again.",
            where=str(place.parent),
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return place


def _sort_into_folders(place: Path, names: Collection[str]) -> None:
    """Put files into the folders in which ``sweep.json`` names them: a browser sends bare names alone.

    What it says beyond that is for the measuring to refuse: here a path that leads out is left as it is.
    """
    taken = {name.casefold() for name in names}
    for said in _files_said(place / "sweep.json"):
        path = PurePosixPath(said.replace("\\", "/"))
        folders, name = path.parts[:-1], path.name
        is_plain = all(_NAME.fullmatch(folder) and folder.casefold() not in taken for folder in folders)
        if folders and name in names and is_plain:
            wanted = place.joinpath(*path.parts)
            if (place / name).is_file() and not wanted.exists():
                wanted.parent.mkdir(parents=True, exist_ok=True)
                (place / name).rename(wanted)


def _files_said(settings: Path) -> Iterator[str]:
    """Tell what files a ``sweep.json`` names; none where there is none that can be read."""
    try:
        said = json.loads(settings.read_bytes())
    except (OSError, ValueError, RecursionError):
        return
    if not isinstance(said, dict):
        return
    frames = said.get("frames")
    entries = frames if isinstance(frames, list) else []
    for one in (*(entry.get("file") for entry in entries if isinstance(entry, dict)), said.get("chart")):
        if isinstance(one, str):
            yield one


def frames_folder(record: "Record", sweep_id: str) -> Path:
    """Give the place of a sweep's frames; nothing is made.

    Raises
    ------
    InputError
        When the record has no folder for frames.
    """
    if record.folder is None:
        raise InputError("has no place in this record: it has no folder for frames.", field="files")
    return Path(record.folder) / "frames" / id_or_new(sweep_id)


def safe_file_name(name: str) -> str:
    """Give the bare name of an uploaded file, if it is one that every system keeps.

    Raises
    ------
    InputError
        When it is empty, too long, or holds anything but letters, digits, spaces and ``._()+-``.
    """
    bare = re.split(r"[\\/]", name)[-1].strip()
    if not _NAME.fullmatch(bare) or bare.endswith((".", " ")):
        raise InputError(
            "is no name for a file here; use letters, digits and . _ - alone, up to 120 of them.",
            field="files",
            typed=name,
        )
    return bare


class SweepJobs:
    """Measures sweeps, one after the other.

    Parameters
    ----------
    record : Record
        Where results are kept.
    on_done : callable, optional
        Told of each job that has ended, in the worker's thread.
    """

    def __init__(self, record: "Record", *, on_done: Callable[[SweepJob], None] | None = None) -> None:
        self.on_done = on_done
        self._record = record
        self._jobs: OrderedDict[str, SweepJob] = OrderedDict()
        self._orders: dict[str, _Order] = {}
        self._changed = threading.Condition()
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
        """End what is under way; what was not done is told as cancelled."""
        with self._changed:
            self._is_stopping = True
            for job in [job for job in self._jobs.values() if job.state in _OPEN]:
                self._jobs[job.id] = replace(job, state=CANCELLED)
            self._changed.notify_all()
            thread, self._thread = self._thread, None
        if thread is not None:
            thread.join(5)

    def begin(self, prep_id: str, *, sweep_id: str, place: Path, facts: SweepFacts, who: str) -> SweepJob:
        """Have a sweep measured, whose frames lie at ``place``; the same id begun again is one job.

        Raises
        ------
        InputError, NotFound, Conflict
            As :func:`shimwise.bench.prep_evidence.sweep_task`; when too many wait already.
        """
        person = typed_name(who, field="who")
        with self._changed:
            known = self._jobs.get(sweep_id)
            if known is not None and known.state in (*_OPEN, DONE):
                return known
            if sum(job.state in _OPEN for job in self._jobs.values()) >= MOST_WAITING:
                raise InputError(
                    f"would wait behind {MOST_WAITING} others. Send it when they are done.", field="files"
                )
        task = sweep_task(self._record, prep_id, place=place, facts=facts)
        job = SweepJob(id=sweep_id, prep_id=prep_id, state=WAITING)
        with self._changed:
            self._jobs[sweep_id] = job
            self._orders[sweep_id] = _Order(task=task, facts=facts, who=person, place=place)
            while len(self._jobs) > MOST_KEPT:
                self._jobs.popitem(last=False)
            self._changed.notify_all()
        return job

    def job(self, sweep_id: str, *, prep_id: str | None = None) -> SweepJob:
        """Tell how far a job is; with ``prep_id`` it has to be one of that prep.

        Raises
        ------
        NotFound
            When there is none of this id.
        """
        with self._changed:
            return self._job(sweep_id, prep_id)

    def jobs(self, prep_id: str) -> tuple[SweepJob, ...]:
        """Give the jobs of a prep that are under way or failed, oldest first."""
        with self._changed:
            return tuple(
                job for job in self._jobs.values() if job.prep_id == prep_id and job.state in (*_OPEN, FAILED)
            )

    def cancel(self, sweep_id: str, *, prep_id: str | None = None) -> SweepJob:
        """Cancel a job; one that has ended stays as it ended. Errors as :meth:`job`."""
        with self._changed:
            job = self._job(sweep_id, prep_id)
            if job.state in _OPEN:
                job = self._jobs[sweep_id] = replace(job, state=CANCELLED)
                self._changed.notify_all()
        return job

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
            if job.state != DONE:
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
            keep_sweep(
                self._record,
                self.job(sweep_id).prep_id,
                facts=order.facts,
                document=document,
                frames_place=str(order.place),
                who=order.who,
                id=sweep_id,
            )
        except SweepCancelledError:
            return replace(self.job(sweep_id), state=CANCELLED)
        except ShimwiseError as error:
            return replace(self.job(sweep_id), state=FAILED, problem=str(error))
        except Exception:  # the thread has to live on, and the fault to be told
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
            while True:
                if self.job(sweep_id).state == CANCELLED:
                    raise SweepCancelledError
                if not mine.poll(STEP_S):
                    continue
                kind, told = mine.recv()
                if kind == "progress":
                    self._tell(sweep_id, *told)
                elif kind == "failed":
                    raise ImagingError(told)
                else:
                    return dict(told)
        finally:
            process.terminate()
            process.join(5)
            mine.close()

    def _tell(self, sweep_id: str, what: str, done: int, total: int) -> None:
        with self._changed:
            job = self._jobs[sweep_id]
            if job.state == WORKING:
                self._jobs[sweep_id] = replace(job, what=what, done=done, total=total)


def _measure(task: SweepTask, out: Pipe) -> None:
    """Measure in this process, and send progress and the result on."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICENESS)
    try:
        out.send(("done", measured_document(task, progress=lambda *told: out.send(("progress", told)))))
    except ShimwiseError as error:
        out.send(("failed", str(error)))
