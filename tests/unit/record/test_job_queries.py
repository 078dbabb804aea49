"""Jobs in the record: taken once, taken over, fenced, asked for again, given back, pruned."""

import threading
from datetime import datetime, timedelta

import pytest
from invented_rows import a_job, a_verdict
from sqlalchemy import update

from shimwise.record.journal import last_seq
from shimwise.record.queries import jobs, preps, verdicts
from shimwise.record.record import Record
from shimwise.record.tables import schema
from shimwise.record.tables.rows import JobRow

KINDS = (jobs.VERDICT, jobs.LEARN)


def put(record: Record, *of: str, kind: str = jobs.VERDICT, **more: object) -> None:
    with record.working() as connection:
        for one in of:
            jobs.put(connection, [jobs.new_job(kind, one, prep_id=one or None, **more)])


def take(record: Record, server: str = "bay-1", *, lease_s: float = 60.0, **more: object) -> JobRow | None:
    chosen = {"kinds": KINDS, **more}
    with record.working() as connection:
        return jobs.take(connection, server=server, lease_s=lease_s, **chosen)  # type: ignore[arg-type]


def taken(record: Record, server: str = "bay-1", **more: object) -> JobRow:
    row = take(record, server, **more)  # type: ignore[arg-type]
    assert row is not None
    return row


def end(record: Record, row: JobRow, **more: str) -> bool:
    with record.working() as connection:
        return jobs.end(connection, row, **more)  # type: ignore[arg-type]


def found(record: Record, job_id: str) -> JobRow:
    with record.reading() as connection:
        row = jobs.job(connection, job_id)
    assert row is not None
    return row


def lapse(record: Record, job_id: str) -> None:
    """Have the lease of a job end, as if its server was not heard of for long."""
    with record.working() as connection:
        past = jobs.now(connection) - timedelta(seconds=1)
        connection.execute(update(schema.jobs).where(schema.jobs.c.id == job_id).values(lease_until=past))


def test_a_job_is_taken_once_oldest_first_and_learning_comes_last(record: Record) -> None:
    put(record, "", kind=jobs.LEARN)
    put(record, "b", "a")
    assert [taken(record, f"bay-{n}").id for n in range(3)] == ["verdict-b", "verdict-a", "learn"]
    assert take(record) is None
    row = found(record, "verdict-b")
    assert (row.state, row.server, row.tries) == ("working", "bay-0", 1)


def test_many_who_take_at_once_never_take_the_same(record: Record) -> None:
    put(record, *(f"{n:02}" for n in range(20)))
    got: list[str] = []

    def work(server: str) -> None:
        while (row := take(record, server)) is not None:
            got.append(row.id)
            end(record, row)

    threads = [threading.Thread(target=work, args=(f"bay-{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(got) == [f"verdict-{n:02}" for n in range(20)]


def test_what_another_server_looks_at_is_passed_over(record: Record) -> None:
    if record.location.path is not None:
        pytest.skip("a file lets one write at a time")
    put(record, "a", "b")
    with record.working() as connection:
        first = jobs.take(connection, KINDS, server="bay-1", lease_s=60)
        second = taken(record, "bay-2")
        assert take(record, "bay-3") is None  # nobody waits for the transaction that is open
    assert first is not None
    assert (first.id, second.id) == ("verdict-a", "verdict-b")


def test_a_lease_that_ended_is_taken_over_and_who_lost_it_ends_nothing(record: Record) -> None:
    put(record, "a")
    first = taken(record, "bay-1")
    assert take(record, "bay-2") is None
    lapse(record, "verdict-a")
    second = taken(record, "bay-2")
    assert (second.id, second.tries) == ("verdict-a", 2)
    with record.working() as connection:
        assert not jobs.beat(connection, first, lease_s=60, progress={})
        jobs.give_back(connection, first)
    assert not end(record, first, state="failed", problem="too late")
    assert found(record, "verdict-a").server == "bay-2"
    assert end(record, second)
    assert not end(record, second)
    assert found(record, "verdict-a").state == "done"


def test_a_beat_keeps_the_lease_and_says_how_far_it_is(record: Record) -> None:
    put(record, "a")
    row = taken(record)
    lapse(record, row.id)
    with record.working() as connection:
        assert jobs.beat(connection, row, lease_s=60, progress={"what": "Reading", "done": 2, "total": 9})
    assert take(record, "bay-2") is None
    assert found(record, row.id).progress == {"what": "Reading", "done": 2, "total": 9}


def test_one_asked_for_while_it_waits_is_one_and_while_it_is_worked_on_is_done_once_more(
    record: Record,
) -> None:
    put(record, "a", "a")
    row = taken(record)
    assert take(record) is None
    put(record, "a", "a")
    assert take(record) is None
    assert end(record, row)
    assert found(record, "verdict-a").state == "waiting"
    again = taken(record)
    assert again.tries == 1
    assert end(record, again)
    assert found(record, "verdict-a").state == "done"
    put(record, "a")
    assert taken(record).id == "verdict-a"


def test_one_that_is_given_back_is_free_at_once_and_its_try_does_not_count(record: Record) -> None:
    put(record, "a")
    row = taken(record)
    with record.working() as connection:
        jobs.give_back(connection, row)
    assert found(record, "verdict-a").tries == 0
    assert taken(record, "bay-2").tries == 1


def test_one_that_is_cancelled_is_lost_to_its_server_and_can_be_asked_for_again(record: Record) -> None:
    put(record, "a")
    row = taken(record)
    with record.working() as connection:
        assert jobs.cancel(connection, row.id)
        assert not jobs.cancel(connection, row.id)
        assert not jobs.beat(connection, row, lease_s=60, progress={})
        assert not jobs.end(connection, row)
    assert take(record) is None
    put(record, "a")
    assert not end(record, row)  # the lease of before is no lease of now
    assert taken(record).id == row.id


def test_a_sweep_is_free_once_its_frames_came_and_where_they_are_seen(record: Record) -> None:
    put(record, "a", kind=jobs.SWEEP, task=None)
    assert take(record, kinds=(jobs.SWEEP,)) is None
    with record.working() as connection:
        assert jobs.came(connection, "sweep-a", server="bay-1")
        assert jobs.keep_task(connection, "sweep-a", {"place": "frames/a"})
    assert take(record, "bay-2", kinds=(jobs.SWEEP,), ids=["sweep-b"]) is None
    assert taken(record, "bay-1", kinds=(jobs.SWEEP,)).task == {"place": "frames/a"}
    with record.working() as connection:
        assert not jobs.keep_task(connection, "sweep-a", None)  # it is worked on
        jobs.remove(connection, "sweep-a")
    assert found(record, "sweep-a").state == "working"


def test_old_jobs_are_forgotten_but_not_what_is_open_or_has_frames(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs, "KEPT", 2)
    for name in ("a", "b", "c"):
        put(record, name)
        end(record, taken(record))
    put(record, "open")
    put(record, "failed", kind=jobs.SWEEP)
    end(record, taken(record, kinds=(jobs.SWEEP,)), state="failed", problem="no server")
    put(
        record,
        "came to nothing",
        kind=jobs.SWEEP,
        task=None,
        lease_until=datetime.fromisoformat("2026-01-01T00:00Z"),
    )
    with record.working() as connection:
        assert jobs.prune(connection) == 2
        assert jobs.prune(connection) == 0
    with record.reading() as connection:
        left = {row.id for row in jobs.jobs(connection, limit=9)}
    assert left == {"verdict-b", "verdict-c", "verdict-open", "sweep-failed"}
    with record.working() as connection:
        long_ago = jobs.now(connection) - jobs.KEPT_FOR - timedelta(days=1)
        connection.execute(update(schema.jobs).values(ended_at=long_ago))
        jobs.prune(connection)
    with record.reading() as connection:
        assert [row.id for row in jobs.jobs(connection)] == ["verdict-open"]


def test_preps_that_nobody_asked_for_are_found_in_the_journal(record: Record) -> None:
    a_job(record, 1, readings=2)
    a_job(record, 2, readings=0)
    with record.reading() as connection:
        line = last_seq(connection)
        revision = preps.prep(connection, "prep-1").revision
        assert jobs.preps_behind(connection, after=0, upto=line) == ["prep-1"]
        assert jobs.preps_behind(connection, after=line, upto=line) == []
    put(record, "prep-1")
    with record.reading() as connection:
        assert jobs.preps_behind(connection, after=0, upto=line) == []
    end(record, taken(record))
    with record.writing(who="Bo") as change:
        verdicts.add_verdict(change, a_verdict(revision))
    with record.reading() as connection:
        assert jobs.preps_behind(connection, after=0, upto=line) == []
