"""Sweeps measured beside the pages: jobs of the record, each in a process of its own, watched and cancelled.

The frames lie in the record's storage, where it has one, else in its folder under the sweep's id; a server
that does not reach them leaves the job to the others. Those in the folder are removed when the sweep is
cancelled or cannot be measured; of the storage ``shimwise check`` lists what is left.
"""

import multiprocessing
import shutil
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import timedelta
from multiprocessing.connection import Connection as Pipe
from pathlib import Path
from typing import IO, Any

from shimwise.bench.access.acting import HOUSE, Actor, Door, Who, allowed
from shimwise.bench.access.roles import Act, Role
from shimwise.bench.errors import Conflict, InputError, NotFound
from shimwise.bench.jobs.line import HeldJob, JobLine
from shimwise.bench.jobs.views import JobView, view_of
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep, sweep_task
from shimwise.bench.sweep.frame_files import (
    STORED,
    frames_at,
    frames_folder,
    is_in_reach,
    keep_frames,
    kept_place,
    place_kept,
    store_frames,
    sweep_settings,
)
from shimwise.bench.sweep.match import Frames, frames_of, refuse_same_frames
from shimwise.bench.sweep.moves import Moves
from shimwise.bench.sweep.work import SweepTask, measured_document
from shimwise.bench.workers import MOST_BYTES, PATIENCE_S, begin_bounded
from shimwise.errors import ImagingError, ShimwiseError
from shimwise.extras import require_extra
from shimwise.record.errors import StorageError
from shimwise.record.hearing import JOBS
from shimwise.record.queries import jobs as kept
from shimwise.record.record import Record
from shimwise.record.tables.mapping import row_by_id
from shimwise.record.tables.rows import JobRow, SweepRow

MOST_WAITING = 20
STEP_S = 0.2
COMING_FOR = timedelta(minutes=30)
"""So long the frames of a sweep may take to be kept."""
FRAMES_KEPT_FOR = timedelta(days=7)
"""So long the frames of a sweep stay whose measuring ended without an answer: it can be done again."""
_FAULT = "The measuring ended without an answer. Try it with fewer frames."


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepJob:
    """A sweep on its way: ``state`` is ``waiting``, ``working``, ``done``, ``failed`` or ``cancelled``.

    ``what``, ``done`` and ``total`` are how far it is (0 of 0: not known); ``problem`` why it failed;
    ``id`` is the sweep's, ``title`` what a person knows it by; ``waits_for`` the server that has its frames,
    where this one does not see them.
    """

    id: str
    prep_id: str
    state: str
    title: str = ""
    what: str = ""
    done: int = 0
    total: int = 0
    problem: str = ""
    waits_for: str = ""


class SweepJobs:
    """Measures sweeps, one after the other on each server.

    Parameters
    ----------
    record : Record
        Where jobs and results are kept.
    on_done : callable, optional
        Called with each job that ended here, in the worker's thread.
    """

    def __init__(self, record: Record, *, on_done: Callable[[JobView], None] = lambda _: None) -> None:
        self._record = record
        self._line = JobLine(
            record,
            (kept.SWEEP,),
            self._work,
            fault=_FAULT,
            on_ended=lambda row: on_done(view_of(row)),
            can_do=self._can_do,
            tidy=self._tidy,
        )

    def start(self) -> None:
        """Start the thread that works; returns at once."""
        self._line.start()

    def stop(self) -> None:
        """End what is under way; it is measured by another server, or after the next start."""
        self._line.stop()

    def begin(
        self,
        prep_id: str,
        *,
        sweep_id: str,
        files: Iterable[tuple[str, IO[bytes]]],
        facts: SweepRequest,
        who: Who,
        moves: Moves | None = None,
        star: Sequence[float] | None = None,
    ) -> SweepJob:
        """Take a sweep's frames and have them measured; the same id begun again is one job, or one sweep.

        Parameters
        ----------
        files : iterable of (name, open file)
            As :func:`shimwise.bench.sweep.frame_files.keep_frames`.
        moves : Moves, optional
            What moved, where no ``sweep.json`` is among the files: one is made.
        star : sequence of float, optional
            With ``moves``: the star to measure where no chart's layout is among the files, as x, y and radius
            in the frames [px], and its count of spokes.

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
                _describe(place, moves, star)
            _refuse_without_settings(place)
            _refuse_without_pitch(place, task)
            self._refuse_known_frames(sweep_id, prep_id, place=place, facts=facts)
            sent = {
                "place": store_frames(self._record, place),
                "server": self._line.server,
                "facts": asdict(facts),
                "who": who if isinstance(who, str) else asdict(who),
            }
            with self._record.working() as connection:
                is_wanted = kept.keep_task(connection, _id(sweep_id), sent)
            if not is_wanted or sent["place"] != kept_place(self._record, place):
                shutil.rmtree(place, ignore_errors=True)  # cancelled while it came, or in the storage now
        except BaseException:
            if place is not None:
                shutil.rmtree(place, ignore_errors=True)
            with self._record.working() as connection:
                kept.remove(connection, _id(sweep_id))
            raise
        self._line.wake()
        self._record.notify(JOBS)
        return self.job(sweep_id)

    def _refuse_known_frames(self, sweep_id: str, prep_id: str, *, place: Path, facts: SweepRequest) -> None:
        """Refuse frames that are those of a sweep before this one, measured or under way.

        Frames come whole one sweep after the other, so of two of the same the later one sees the earlier.
        """
        sweep_task(self._record, prep_id, place=place, facts=facts)
        with self._record.changing_all() as connection:
            kept.came(connection, _id(sweep_id), server=self._line.server)
            rows = kept.jobs(connection, kind=kept.SWEEP, prep_id=prep_id, states=kept.OPEN)
        mine = next((row.made_at for row in rows if row.id == _id(sweep_id)), None)
        refuse_same_frames(
            place,
            [
                (self._frames_of(row), row.title)
                for row in rows
                if row.server and mine is not None and row.made_at < mine
            ],
        )

    def _frames_of(self, row: JobRow) -> Path | Frames:
        """Return the frames of a job under way: in the storage, or on their way through the folder."""
        if row.task is not None and self._record.storage is not None:
            return frames_of(self._record, row.task["place"])
        return frames_folder(self._record, row.id.removeprefix(_id("")))

    def _reserved(self, sweep_id: str, prep_id: str, facts: SweepRequest, *, title: str) -> SweepJob | None:
        """Return the job that is known by this id already; else put one in, whose frames come."""
        done = self._kept(sweep_id, prep_id, facts)
        with self._record.changing_all() as connection:
            known = kept.job(connection, _id(sweep_id))
            if known is not None and known.prep_id != prep_id:
                raise _of_another(sweep_id)
            if done is not None or (known is not None and known.state in (*kept.OPEN, kept.DONE)):
                return done or self._job_of(known)  # type: ignore[arg-type]  # one of them is there
            if kept.open_count(connection, kept.SWEEP) >= MOST_WAITING:
                raise InputError(
                    f"would wait behind {MOST_WAITING} others. Send it when they are done.", field="files"
                )
            until = kept.now(connection) + COMING_FOR
            new = kept.new_job(
                kept.SWEEP, sweep_id, prep_id=prep_id, title=title, task=None, lease_until=until
            )
            kept.put(connection, [new])
        return None

    def _kept(self, sweep_id: str, prep_id: str, facts: SweepRequest) -> SweepJob | None:
        """Return the sweep of this id as a job that is done, where the record holds it: its frames stay."""
        with self._record.reading() as connection:
            try:
                row = row_by_id(connection, SweepRow, sweep_id)
            except NotFound:
                return None
        if (row.prep_id, row.body_id, row.lens_id) != (prep_id, facts.body_id, facts.lens_id):
            raise _of_another(sweep_id)
        return SweepJob(id=sweep_id, prep_id=prep_id, state=kept.DONE)

    def job(self, sweep_id: str, *, prep_id: str | None = None) -> SweepJob:
        """Return how far a job is; with ``prep_id`` it has to be one of that prep.

        Raises
        ------
        NotFound
            If there is none of this id.
        """
        return self._job_of(self._row(sweep_id, prep_id))

    def jobs(self, prep_id: str) -> tuple[SweepJob, ...]:
        """Return the jobs of a prep that are under way or failed, oldest first."""
        return tuple(map(self._job_of, reversed(self._rows(prep_id, *kept.OPEN, kept.FAILED))))

    def cancel(self, sweep_id: str, *, prep_id: str | None = None, who: Who = HOUSE) -> SweepJob:
        """Cancel a job, wherever it is; one that has ended stays as it ended. Errors as :meth:`job`."""
        allowed(self._record, who, Act.READ)
        row = self._row(sweep_id, prep_id)
        with self._record.working() as connection:
            kept.cancel(connection, row.id)
        if row.state == kept.WAITING:
            self._drop(row)
        self._line.lose(row.id)
        self._record.notify(JOBS, row.id)
        return self.job(sweep_id)

    def dismiss(self, sweep_id: str, *, prep_id: str | None = None, who: Who = HOUSE) -> None:
        """Forget a job that failed or was cancelled; others stay as they are. Errors as :meth:`job`."""
        allowed(self._record, who, Act.READ)
        row = self._row(sweep_id, prep_id)
        if row.state in (kept.FAILED, kept.CANCELLED):
            self._drop(row)
            with self._record.working() as connection:
                kept.remove(connection, row.id)

    def _rows(self, prep_id: str, *states: str) -> list[JobRow]:
        with self._record.reading() as connection:
            return kept.jobs(connection, kind=kept.SWEEP, prep_id=prep_id, states=states)

    def _row(self, sweep_id: str, prep_id: str | None) -> JobRow:
        with self._record.reading() as connection:
            row = kept.job(connection, _id(sweep_id))
        if row is None or prep_id not in (None, row.prep_id):
            raise NotFound("sweep under way", sweep_id)
        return row

    def _job_of(self, row: JobRow) -> SweepJob:
        is_elsewhere = row.state == kept.WAITING and row.task is not None and not self._can_do(row)
        return SweepJob(
            id=row.id.removeprefix(_id("")),
            prep_id=row.prep_id or "",
            state=row.state,
            title=row.title,
            problem=row.problem,
            waits_for=(row.task or {})["server"] if is_elsewhere else "",
            **self._line.progress_of(row),
        )

    def _can_do(self, row: JobRow) -> bool:
        """Return whether this server reaches the frames of a job; a storage that is away is asked again."""
        try:
            return is_in_reach(self._record, (row.task or {}).get("place", ""))
        except StorageError:
            return False

    def _place(self, row: JobRow) -> Path | None:
        """Return where the frames of a job lie in the folder; None where this server does not see them."""
        place = place_kept(self._record.folder, (row.task or {}).get("place", ""))
        return place if place is not None and place.is_dir() else None

    def _drop(self, row: JobRow) -> None:
        """Remove the frames of a job that is not worked on, where this server sees them."""
        place = self._place(row)
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)
        if place is not None or (row.task or {}).get("place", "").startswith(STORED):
            with self._record.working() as connection:
                kept.keep_task(connection, row.id, None)

    def _tidy(self) -> None:
        """Remove the frames of what was cancelled elsewhere, and of what failed long ago."""
        with self._record.reading() as connection:
            rows = kept.jobs(connection, kind=kept.SWEEP, states=(kept.CANCELLED, kept.FAILED))
            long_ago = kept.now(connection) - FRAMES_KEPT_FOR
        for row in rows:
            if row.state == kept.CANCELLED or (row.ended_at is not None and row.ended_at < long_ago):
                self._drop(row)

    def _work(self, held: HeldJob) -> None:
        """Measure one sweep and keep its result."""
        row = held.job
        if row.task is None or not self._can_do(row):
            raise ImagingError("The frames are gone. Send them again.")
        facts = SweepRequest(**row.task["facts"])
        task = sweep_task(self._record, row.prep_id or "", place="", facts=facts)
        try:
            with frames_at(self._record, row.task["place"]) as place:
                document = self._measured(held, replace(task, place=str(place)))
        except _CannotMeasureError:
            if (lies := self._place(row)) is not None:
                shutil.rmtree(lies, ignore_errors=True)
            held.is_for_good = True
            raise
        keep_sweep(
            self._record,
            row.prep_id or "",
            facts=facts,
            document=document,
            frames_place=row.task["place"],
            who=_who(row.task["who"]),
            id=row.id.removeprefix(_id("")),
            taken_at=row.made_at,
            fence=held.done,
        )

    def _measured(self, held: HeldJob, task: SweepTask) -> dict[str, Any]:
        """Measure in a process of its own, which ends when the job is lost."""
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_measure, args=(task, theirs), daemon=True)
        process.start()
        theirs.close()
        try:
            heard_s = time.monotonic()
            while True:
                held.refuse_lost()
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
                    held.report(*report)
                elif kind == "failed":
                    raise _CannotMeasureError(report)
                else:
                    return dict(report)
        finally:
            process.terminate()
            process.join(5)
            mine.close()


class _CannotMeasureError(ImagingError):
    """Raised when these frames can never be measured."""

    code = "imaging"


def _id(sweep_id: str) -> str:
    """Return the id of a sweep's job."""
    return f"{kept.SWEEP}-{sweep_id}"


def _who(sent: Any) -> Who:  # noqa: ANN401 - as JSON holds it
    """Return who sent a sweep, as it was proved then."""
    if isinstance(sent, str):
        return sent
    role = None if sent["role"] is None else Role(sent["role"])
    return Actor(**{**sent, "role": role, "door": Door(sent["door"])})


def _describe(place: Path, moves: Moves, star: Sequence[float] | None) -> None:
    """Make ``sweep.json`` of what moved, unless it came with the frames."""
    from shimwise.bench.sweep.describe import describe, has_description, write_description
    from shimwise.imaging.frames.recording import Recording

    if not has_description(place):
        described = describe(place, moves, Recording())
        write_description(place, described if star is None else {**described, "star": list(star)})


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
    """Refuse a chart's frames at once if the pixel pitch is unknown, with which its rings are measured.

    Raises
    ------
    InputError
        Names the body and where to write it down.
    """
    settings = sweep_settings(place)
    stated = (source.get("pitch_um") for source in (settings, task.usual, task.recording))
    if ((place / "chart.json").is_file() or "star" in settings) and all(value is None for value in stated):
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
    begin_bounded(MOST_BYTES)
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
