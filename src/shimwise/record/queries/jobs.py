"""Jobs: put in once, taken by one server at a time, taken over when that one dies, ended by who holds them.

A server holds a job by its lease, a number that rises each time the job is taken. Whatever ends a job names
that number, in the transaction that keeps the result: who lost the job keeps nothing. Time is the database's,
so that the clocks of the servers do not matter.

The id of a job names what it is of (``verdict-…``, ``sweep-…``, ``learn``), so there is never a second one.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, delete, func, or_, select, update

from shimwise.record.tables import schema
from shimwise.record.tables.mapping import rewrite, row_if_kept, rows_of, values_of
from shimwise.record.tables.rows import JobRow

WAITING, WORKING, DONE, FAILED, CANCELLED = "waiting", "working", "done", "failed", "cancelled"
OPEN = (WAITING, WORKING)
VERDICT, LEARN, SWEEP = "verdict", "learn", "sweep"
LOOKED_AT = 50
"""So many jobs are looked at for one that this server can do."""
KEPT, KEPT_FOR = 200, timedelta(days=30)
"""Of jobs that have ended, the newest so many are kept, and none longer than that."""
_T = schema.jobs
_IS_OPEN = _T.c.state.in_(OPEN)
_ORDER = (_T.c.kind == LEARN, _T.c.made_at, _T.c.id)
_NOW = select(func.clock_timestamp())


def now(connection: Connection) -> datetime:
    """Return the time by the database's clock. [UTC]"""
    if connection.dialect.name == "sqlite":
        return datetime.now(UTC)  # its clock is this machine's
    found: datetime = connection.execute(_NOW).scalar_one()
    return found.astimezone(UTC)


def new_job(kind: str, of: str, *, prep_id: str | None, **more: Any) -> JobRow:  # noqa: ANN401 - fields
    """Return a job to be put in, for an id (empty: for the house); its time is the database's."""
    job_id = f"{kind}-{of}" if of else kind
    return JobRow(id=job_id, kind=kind, prep_id=prep_id, state=WAITING, made_at=datetime.now(UTC), **more)


def put(connection: Connection, rows: Iterable[JobRow]) -> None:
    """Queue jobs. One that waits already is one job; one that is worked on is done once more."""
    at = now(connection)
    putting = _putting(connection.dialect.name)
    for row in sorted(rows, key=lambda row: row.id):  # in one order, so that two servers never lock crosswise
        connection.execute(putting, values_of(replace(row, made_at=at)))


def free(connection: Connection, kinds: Collection[str]) -> list[JobRow]:
    """Return jobs of these kinds that may be taken, in their order."""
    wanted = select(_T).where(_is_free(kinds, now(connection))).order_by(*_ORDER).limit(LOOKED_AT)
    return rows_of(connection, wanted, JobRow)


def take(
    connection: Connection,
    kinds: Collection[str],
    *,
    server: str,
    lease_s: float,
    ids: Collection[str] | None = None,
) -> JobRow | None:
    """Take the job that waits longest; None if there is none.

    What another server takes at this moment is passed over. A job whose server was not heard of until its
    lease ended is free again.

    Parameters
    ----------
    lease_s : float
        How long it is this server's unless it is heard of again (:func:`beat`). [s]
    ids : collection of str, optional
        Of which jobs; of all of these kinds when left out.
    """
    at = now(connection)
    wanted = select(_T).where(_is_free(kinds, at)).order_by(*_ORDER).limit(1)
    if ids is not None:
        wanted = wanted.where(_T.c.id.in_(ids))
    found = next(iter(rows_of(connection, wanted.with_for_update(skip_locked=True), JobRow)), None)
    if found is None:
        return None
    taken = replace(
        found,
        state=WORKING,
        server=server,
        tries=found.tries + 1,
        lease=found.lease + 1,
        taken_at=at,
        lease_until=at + timedelta(seconds=lease_s),
        progress={},
        problem="",
        problem_code="",
    )
    rewrite(connection, JobRow, taken.id, **values_of(taken))
    return taken


def beat(connection: Connection, held: JobRow, *, lease_s: float, progress: Mapping[str, Any]) -> bool:
    """Hold a job for longer, and keep its progress; False if it was cancelled, or taken over."""
    until = now(connection) + timedelta(seconds=lease_s)
    return _changed(connection, _is_held(held), lease_until=until, progress=dict(progress))


def end(
    connection: Connection,
    held: JobRow,
    *,
    state: str = DONE,
    problem: str = "",
    problem_code: str = "",
    is_for_good: bool = False,
) -> bool:
    """End a job as ``state``; one that was asked for again meanwhile waits once more. False if it was lost.

    ``is_for_good``: what was to be done is forgotten with it.
    """
    is_asked_again = _T.c.asked > held.asked
    values: dict[str, Any] = {
        "state": case((is_asked_again, WAITING), else_=state),
        "tries": case((is_asked_again, 0), else_=_T.c.tries),
        "problem": problem,
        "problem_code": problem_code,
        "lease_until": None,
        "ended_at": now(connection),
    }
    if is_for_good:
        values["task"] = None
    return _changed(connection, _is_held(held), **values)


def give_back(
    connection: Connection,
    held: JobRow,
    *,
    is_counted: bool = False,
    problem: str = "",
    problem_code: str = "",
) -> None:
    """Leave a job to others at once; ``is_counted``: this try counts; ``problem``: what it waits for."""
    _changed(
        connection,
        _is_held(held),
        state=WAITING,
        tries=held.tries - (not is_counted),
        lease_until=None,
        progress={},
        problem=problem,
        problem_code=problem_code,
    )


def cancel(connection: Connection, id: str) -> bool:  # noqa: A002
    """Cancel a job; False if it has ended already."""
    is_open = and_(_T.c.id == id, _IS_OPEN)
    return _changed(connection, is_open, state=CANCELLED, lease_until=None, ended_at=now(connection))


def keep_task(connection: Connection, id: str, task: Mapping[str, Any] | None) -> bool:  # noqa: A002
    """Keep what is to be done for a job that is not worked on, which makes it free; False if it is not."""
    is_kept = _T.c.state != WORKING if task is None else _T.c.state == WAITING
    return _changed(connection, and_(_T.c.id == id, is_kept), task=task, lease_until=None)


def came(connection: Connection, id: str, *, server: str) -> bool:  # noqa: A002
    """Note that what a job needs came whole to a server, now; False if it was cancelled meanwhile."""
    waits = and_(_T.c.id == id, _T.c.state == WAITING)
    return _changed(connection, waits, server=server, made_at=now(connection))


def remove(connection: Connection, id: str) -> None:  # noqa: A002
    """Forget a job that is not worked on."""
    connection.execute(delete(_T).where(_T.c.id == id, _T.c.state != WORKING))


def job(connection: Connection, id: str) -> JobRow | None:  # noqa: A002
    """Return the job with this id, or None."""
    return row_if_kept(connection, JobRow, id)


def jobs(
    connection: Connection,
    *,
    kind: str | None = None,
    prep_id: str | None = None,
    states: Collection[str] = (),
    limit: int = KEPT,
) -> list[JobRow]:
    """Return jobs, newest first: of a kind, of a prep, in some states, or all."""
    wanted = select(_T).order_by(_T.c.made_at.desc(), _T.c.id.desc()).limit(limit)
    for column, value in ((_T.c.kind, kind), (_T.c.prep_id, prep_id)):
        if value is not None:
            wanted = wanted.where(column == value)
    if states:
        wanted = wanted.where(_T.c.state.in_(states))
    return rows_of(connection, wanted, JobRow)


def titles_of(connection: Connection, prep_ids: Collection[str]) -> dict[str, str]:
    """Return the titles of preps by their ids."""
    preps = schema.preps
    return {row.id: row.title for row in connection.execute(select(preps).where(preps.c.id.in_(prep_ids)))}


def open_count(connection: Connection, kind: str) -> int:
    """Return how many jobs of a kind wait or are worked on."""
    wanted = select(func.count()).where(_T.c.kind == kind, _IS_OPEN)
    return int(connection.execute(wanted).scalar_one())


def preps_behind(connection: Connection, *, after: int, upto: int) -> list[str]:
    """Return the preps changed in these lines of the journal whose verdict is behind, and not asked for.

    A server that died between its answer and the job that follows from it leaves such preps.
    """
    lines, preps, verdicts, sweeps = schema.journal, schema.preps, schema.verdicts, schema.sweeps
    changed = select(lines.c.prep_id).where(lines.c.seq > after, lines.c.seq <= upto)
    current = select(verdicts.c.id).where(
        verdicts.c.prep_id == preps.c.id, verdicts.c.revision == preps.c.revision
    )
    asked = select(_T.c.id).where(_T.c.prep_id == preps.c.id, _T.c.kind == VERDICT, _IS_OPEN)
    swept = select(sweeps.c.id).where(sweeps.c.prep_id == preps.c.id)
    wanted = select(preps.c.id).where(
        preps.c.id.in_(changed),
        preps.c.state != "signed",
        or_(preps.c.reading_count > 0, swept.exists()),
        ~current.exists(),
        ~asked.exists(),
    )
    return list(connection.execute(wanted).scalars())


def prune(connection: Connection) -> int:
    """Forget jobs that ended long ago, and all but the newest; return how many.

    Sweeps that were cancelled or failed stay until their frames are gone, or are long past.
    """
    has_ended = and_(~_IS_OPEN, or_(_T.c.kind != SWEEP, _T.c.state == DONE, _T.c.task.is_(None)))
    newest = select(_T.c.id).where(has_ended).order_by(_T.c.ended_at.desc(), _T.c.id).limit(KEPT)
    at = now(connection)
    is_past = and_(~_IS_OPEN, _T.c.ended_at < at - KEPT_FOR)
    # What nobody's frames came for: its server died while it took them in.
    is_bare = and_(_T.c.state == WAITING, _T.c.task.is_(None), _T.c.lease_until < at)
    old = or_(is_past, is_bare, and_(has_ended, _T.c.id.not_in(newest)))
    return int(connection.execute(delete(_T).where(old)).rowcount)


def _changed(connection: Connection, where: ColumnElement[bool], **values: Any) -> bool:  # noqa: ANN401
    """Change the one job for which a condition holds; False if there is none."""
    return connection.execute(update(_T).where(where).values(values)).rowcount == 1


def _is_held(held: JobRow) -> ColumnElement[bool]:
    is_its = and_(_T.c.server == held.server, _T.c.lease == held.lease)
    return and_(_T.c.id == held.id, _T.c.state == WORKING, is_its)


def _is_free(kinds: Collection[str], at: datetime) -> ColumnElement[bool]:
    waits = and_(_T.c.state == WAITING, _T.c.task.is_not(None))
    is_left = and_(_T.c.state == WORKING, _T.c.lease_until < at)
    return and_(_T.c.kind.in_(kinds), or_(waits, is_left))


@cache
def _putting(dialect: str) -> Any:  # noqa: ANN401 - the database's own statement
    """Return the statement that puts a job in; made once, as it takes longer to make than to run."""
    if dialect == "sqlite":
        from sqlalchemy.dialects import sqlite

        putting: Any = sqlite.insert(_T)
    else:
        from sqlalchemy.dialects import postgresql  # 5 MB, which a record in a file need not load

        putting = postgresql.insert(_T)
    anew: dict[str, Any] = {
        name: case((_IS_OPEN, _T.c[name]), else_=putting.excluded[name])
        for name in (
            *("title", "task", "made_at", "tries", "lease_until", "progress"),
            *("problem", "problem_code", "ended_at"),
        )
    }
    anew |= {"state": case((_T.c.state == WORKING, WORKING), else_=WAITING), "asked": _T.c.asked + 1}
    return putting.on_conflict_do_update(index_elements=[_T.c.id], set_=anew)
