"""The jobs as keepers see them: what waits, what is worked on where, what failed and why."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from shimwise.bench.access.acting import Who, changing
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import Conflict, NotFound
from shimwise.fields import build_from
from shimwise.record.hearing import JOBS
from shimwise.record.queries import jobs as kept
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import JobRow

NAMES = {kept.VERDICT: "Verdict", kept.LEARN: "What the house learns", kept.SWEEP: "Sweep"}
_ORDER = (kept.FAILED, kept.WORKING, kept.WAITING, kept.CANCELLED, kept.DONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    """Work beside the pages. ``state``: ``waiting``, ``working``, ``done``, ``failed`` or ``cancelled``.

    ``title``: what it is of; ``server``: who worked on it last; ``tries``: how often it was begun. ``what``,
    ``done`` and ``total``: how far it is (0 of 0: not known). ``problem``: why it failed, in words, with its
    code. ``frames_at``: the server to which a sweep's frames were sent.
    """

    id: str
    kind: str
    prep_id: str | None
    title: str
    state: str
    server: str
    tries: int
    made_at: datetime
    taken_at: datetime | None
    ended_at: datetime | None
    what: str
    done: int
    total: int
    problem: str
    problem_code: str
    frames_at: str
    can_cancel: bool
    can_repeat: bool

    @property
    def name(self) -> str:
        """What kind of work it is, as a line begins."""
        return NAMES[self.kind]


def jobs(record: Record) -> tuple[JobView, ...]:
    """Return the newest jobs: those that failed first, then what is worked on, what waits, and what ended."""
    with record.reading() as connection:
        rows = kept.jobs(connection, states=kept.OPEN) + kept.jobs(
            connection, states=(kept.FAILED, kept.CANCELLED, kept.DONE)
        )
        titles = kept.titles_of(connection, {row.prep_id for row in rows if row.prep_id})
    rows.sort(key=lambda row: _ORDER.index(row.state))
    return tuple(view_of(row, titles) for row in rows)


def cancel(record: Record, job_id: str, *, who: Who) -> JobView:
    """Cancel a job, wherever it is worked on; one that has ended stays as it ended.

    Raises
    ------
    NotFound
        If there is none of this id.
    """
    with changing(record, who, Act.JOBS) as change:
        row = _row(change.connection, job_id)
        if kept.cancel(change.connection, job_id):
            change.note("job cancelled", prep_id=row.prep_id, detail={"job_id": job_id})
            change.notify(JOBS, job_id)
        return view_of(_row(change.connection, job_id))


def again(record: Record, job_id: str, *, who: Who) -> JobView:
    """Have a job done again that failed or was cancelled; errors as :func:`cancel`.

    Raises
    ------
    Conflict
        If it cannot be: it waits or is done, or a sweep's frames are gone.
    """
    with changing(record, who, Act.JOBS) as change:
        row = _row(change.connection, job_id)
        if not _can_repeat(row):
            raise Conflict(
                "This cannot be done again: it has not failed, or the frames of the sweep are gone. Look at "
                "the list again; send a sweep's frames anew from its prep.",
                kind="job",
                id=job_id,
            )
        kept.put(change.connection, [row])
        change.note("job asked for again", prep_id=row.prep_id, detail={"job_id": job_id})
        change.notify(JOBS)
        return view_of(_row(change.connection, job_id))


def _row(connection: Connection, job_id: str) -> JobRow:
    row = kept.job(connection, job_id)
    if row is None:
        raise NotFound("job", job_id)
    return row


def _can_repeat(row: JobRow) -> bool:
    """Return whether a job can be done again; the frames of a sweep go when it is cancelled."""
    is_over = row.state == kept.FAILED or (row.state == kept.CANCELLED and row.kind != kept.SWEEP)
    return is_over and row.task is not None


def view_of(row: JobRow, titles: Mapping[str, str] | None = None) -> JobView:
    """Return a job as it is seen; ``titles``: of the preps, by their ids."""
    progress, task = row.progress, row.task or {}
    return build_from(
        JobView,
        row,
        title=", ".join(part for part in (row.title, (titles or {}).get(row.prep_id or "", "")) if part),
        what=progress.get("what", ""),
        done=progress.get("done", 0),
        total=progress.get("total", 0),
        frames_at=task.get("server", ""),
        can_cancel=row.state in kept.OPEN,
        can_repeat=_can_repeat(row),
    )
