"""A line of jobs: each done once among servers, given back, taken over, fenced, failed in words."""

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest
from invented_house import WHO

from child_process import ends_with_the_tests
from shimwise.bench.cluster import ClusterGone
from shimwise.bench.errors import Conflict, NotFound, RecordAway
from shimwise.bench.jobs import line as job_line
from shimwise.bench.jobs import views
from shimwise.bench.jobs.line import MOST_TRIES, HeldJob, JobLine
from shimwise.errors import InferenceError
from shimwise.record.queries import jobs
from shimwise.record.queries.settings import change_setting, setting
from shimwise.record.record import Record
from shimwise.record.tables.rows import JobRow

WAITED_S = 60.0
Work = Callable[[HeldJob], None]


@pytest.fixture
def record(record_address: str) -> Iterator[Record]:
    with Record.open(record_address) as opened:
        yield opened


@pytest.fixture
def other(record_address: str, record: Record) -> Iterator[Record]:
    """Another server of the same record."""
    with Record.open(record_address) as opened:
        yield opened


def job(of: str) -> JobRow:
    return jobs.new_job(jobs.VERDICT, of, prep_id=of)


def row_of(record: Record, of: str) -> JobRow | None:
    with record.reading() as connection:
        return jobs.job(connection, f"verdict-{of}")


def state_of(record: Record, of: str) -> str:
    row = row_of(record, of)
    return "" if row is None else row.state


def until(is_so: Callable[[], bool]) -> None:
    end_s = time.monotonic() + WAITED_S
    while not is_so():
        assert time.monotonic() < end_s
        time.sleep(0.02)


def writing(record: Record, name: str) -> Work:
    """Return work that keeps a value under a name of the job, in the transaction that ends it."""

    def work(held: HeldJob) -> None:
        with record.writing(who=WHO) as change:
            kept = setting(change.connection, held.job.id) or []
            change_setting(change, held.job.id, [*kept, name])
            held.done(change.connection)

    return work


def kept_by(record: Record, of: str) -> list[str]:
    with record.reading() as connection:
        return setting(connection, f"verdict-{of}") or []


@contextmanager
def running(record: Record, work: Work, **more: object) -> Iterator[JobLine]:
    line = JobLine(record, (jobs.VERDICT,), work, fault="A fault.", **more)  # type: ignore[arg-type]
    line.start()
    try:
        yield line
    finally:
        line.stop()


@pytest.mark.slow
def test_two_servers_do_each_job_once(record: Record, other: Record) -> None:
    names = [f"{n:02}" for n in range(30)]
    with running(record, writing(record, "one")) as one, running(other, writing(other, "two")) as two:
        for n, name in enumerate(names):
            (one if n % 2 else two).put(job(name))
        until(lambda: all(state_of(record, name) == "done" for name in names))
    assert [len(kept_by(record, name)) for name in names] == [1] * 30


def test_a_server_that_lost_its_job_keeps_nothing(record: Record, other: Record) -> None:
    go = threading.Event()
    begun = threading.Event()

    def slow(held: HeldJob) -> None:
        begun.set()
        assert go.wait(WAITED_S)
        writing(record, "the first")(held)

    with running(record, slow) as line:
        line.put(job("a"))
        assert begun.wait(WAITED_S)
        with other.working() as connection:  # as if it was not heard of until its lease ended
            row = jobs.job(connection, "verdict-a")
            assert row is not None
            jobs.give_back(connection, row)
        with running(other, writing(other, "the second")):
            until(lambda: state_of(other, "a") == "done")
        go.set()
    assert kept_by(record, "a") == ["the second"]


def test_a_server_that_ends_gives_back_at_once_what_it_holds_and_what_it_was_asked(
    record: Record, other: Record
) -> None:
    begun = threading.Event()

    def slow(held: HeldJob) -> None:
        begun.set()
        while True:
            time.sleep(0.02)
            held.refuse_lost()

    with running(record, slow) as line:
        line.put(job("a"))
        assert begun.wait(WAITED_S)
        line.put(job("b"))
    found = row_of(other, "a")
    assert found is not None
    assert (found.state, found.tries, state_of(other, "b")) == ("waiting", 0, "waiting")
    with running(other, writing(other, "two")):
        until(lambda: state_of(other, "b") == "done")
    assert kept_by(other, "a") == ["two"]


def test_a_cancelled_job_ends_where_it_is_worked_on(
    record: Record, other: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_line, "BEAT_S", 0.2)
    begun, lost = threading.Event(), threading.Event()

    def slow(held: HeldJob) -> None:
        begun.set()
        held.report("Reading", 3, 9)
        while not held.is_lost:
            time.sleep(0.02)
        lost.set()
        held.refuse_lost()

    with running(record, slow) as line:
        line.put(job("a"))
        assert begun.wait(WAITED_S)
        until(lambda: views.jobs(other)[0].done == 3)
        assert views.cancel(other, "verdict-a", who=WHO).state == "cancelled"
        assert lost.wait(WAITED_S)
    (found,) = views.jobs(record)
    assert (found.state, found.can_cancel, found.can_repeat) == ("cancelled", False, True)
    with pytest.raises(NotFound):
        views.cancel(record, "verdict-b", who=WHO)


def test_what_fails_is_said_and_can_be_done_again(record: Record) -> None:
    is_well = threading.Event()

    def work(held: HeldJob) -> None:
        if not is_well.is_set():
            raise (InferenceError("It says nothing.") if held.job.id.endswith("a") else ValueError("a fault"))

    with running(record, work) as line:
        for name in ("a", "b"):
            line.put(job(name))
        until(lambda: {state_of(record, "a"), state_of(record, "b")} == {"failed"})
        found = {one.id: (one.problem, one.problem_code) for one in views.jobs(record)}
        assert found == {
            "verdict-a": ("It says nothing.", "inference"),
            "verdict-b": ("A fault.", "fault"),
        }
        is_well.set()
        assert views.again(record, "verdict-a", who=WHO).state == "waiting"
        until(lambda: state_of(record, "a") == "done")
        with pytest.raises(Conflict, match="cannot be done again"):
            views.again(record, "verdict-a", who=WHO)


def test_a_record_that_was_away_costs_a_try_and_no_job(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_line, "POLL_S", 0.1)
    tries: list[int] = []

    def work(held: HeldJob) -> None:
        tries.append(held.job.tries)
        if len(tries) < 3:
            raise RecordAway("is away.", where="there")

    with running(record, work) as line:
        line.put(job("a"))
        until(lambda: state_of(record, "a") == "done")
    assert tries == [1, 2, 3]


def test_a_job_waits_for_a_cluster_that_is_away_however_long_and_says_so(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_line, "POLL_S", 0.02)
    is_back, tries, told = threading.Event(), list[int](), list[tuple[str, str]]()

    def work(held: HeldJob) -> None:
        tries.append(held.job.tries)
        if not is_back.is_set():
            raise ClusterGone("No scheduler answers.")

    with running(record, work, on_ended=lambda row: told.append((row.state, row.problem))) as line:
        line.put(job("a"))
        until(lambda: len(tries) > 2 * MOST_TRIES)
        until(lambda: (state_of(record, "a"), views.jobs(record)[0].problem) == WAITS)
        until(lambda: views.jobs(record)[0].problem_code == ClusterGone.code)
        assert told[0] == WAITS
        is_back.set()
        until(lambda: state_of(record, "a") == "done")

    assert set(tries) == {1}
    assert views.jobs(record)[0].problem == ""
    assert told[-1] == ("done", "")


WAITS = ("waiting", "No scheduler answers.")


def test_a_job_on_which_servers_end_again_and_again_is_given_up_in_words(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_line, "POLL_S", 0.1)

    def work(_: HeldJob) -> None:
        raise RecordAway("is away.", where="there")

    with running(record, work) as line:
        line.put(job("a"))
        until(lambda: state_of(record, "a") == "failed")
    (found,) = views.jobs(record)
    assert found.problem.startswith(f"It was begun {MOST_TRIES} times")


KILLED = """
import sys, time
from shimwise.bench.jobs import line as job_line
from shimwise.bench.jobs.line import JobLine
from shimwise.record.queries import jobs
from shimwise.record.record import Record

def work(held):
    print("begun", flush=True)
    time.sleep(600)

job_line.LEASE_S, job_line.BEAT_S = 1.5, 0.2
with Record.open(sys.argv[1]) as record:
    line = JobLine(record, (jobs.VERDICT,), work, fault="")
    line.start()
    line.put(jobs.new_job(jobs.VERDICT, "a", prep_id="a"))
    time.sleep(600)
"""


@pytest.mark.slow
def test_the_job_of_a_server_that_was_killed_is_taken_over(
    record: Record, record_address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_line, "HEARD_POLL_S", 0.3)
    with subprocess.Popen(
        ends_with_the_tests(sys.executable, "-c", KILLED, record_address), stdout=subprocess.PIPE, text=True
    ) as server:
        try:
            assert server.stdout is not None
            assert server.stdout.readline() == "begun\n"
            with running(record, writing(record, "the other")):
                time.sleep(2.3)  # longer than its lease
                assert state_of(record, "a") == "working"  # it is heard of, and keeps its job
                server.kill()
                server.wait(10)
                until(lambda: state_of(record, "a") == "done")
        finally:
            server.kill()
    assert kept_by(record, "a") == ["the other"]
