"""The judge beside the pages: in a process of its own, each prep once, started anew when it dies."""

import os
import signal
import threading
import time
from collections.abc import Iterator
from types import SimpleNamespace

import pytest
from invented_house import WHO, House

from shimwise.bench.jobs.views import JobView
from shimwise.bench.prep import preps
from shimwise.bench.prep.readings import withdraw_reading
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.record.queries.verdicts import verdicts_of
from shimwise.record.record import Record

pytestmark = pytest.mark.slow  # starts processes

WAITED_S = 90.0


@pytest.fixture
def done() -> list[JobView]:
    return []


@pytest.fixture
def judge(house: House, done: list[JobView]) -> Iterator[JudgeService]:
    service = JudgeService(house.record, on_done=done.append)
    service.start()
    yield service
    service.stop()


def test_a_prep_is_judged_as_it_stands_and_what_was_asked_twice_once(
    house: House, judge: JudgeService, done: list[JobView]
) -> None:
    prep = house.start()
    for text in ("on", 'short by 1/8"', 'deep by 1/8"'):
        house.read(prep.id, text)
        judge.ask(prep.id)
    assert judge.wait(WAITED_S)
    view = preps.open_prep(house.record, prep.id)
    assert view.verdict is not None
    assert view.verdict.is_current
    found = [job for job in done if job.kind == "verdict"]
    assert (found[-1].prep_id, found[-1].state, found[-1].problem) == (prep.id, "done", "")
    assert len(found) <= 2
    count = _verdict_count(house, prep.id)
    judge.ask(prep.id)  # nothing has changed
    assert judge.wait(WAITED_S)
    assert _verdict_count(house, prep.id) == count


def test_an_empty_prep_is_not_judged_and_an_unknown_one_said(
    house: House, judge: JudgeService, done: list[JobView]
) -> None:
    prep = house.start()
    judge.ask(prep.id)
    assert judge.wait(WAITED_S)
    assert _verdict_count(house, prep.id) == 0
    judge.ask("0" * 32)
    assert judge.wait(WAITED_S)
    assert "no prep" in done[-1].problem


def test_a_prep_that_nobody_asked_for_is_judged_after_the_start(house: House) -> None:
    prep = house.start()
    house.read(prep.id, "on")  # and the server died before it could ask
    judge = JudgeService(house.record)
    judge.start()
    try:
        assert judge.wait(WAITED_S)
        assert _verdict_count(house, prep.id) == 1
    finally:
        judge.stop()


def test_two_servers_judge_each_prep_once(postgres_address: str) -> None:
    with Record.open(postgres_address) as one, Record.open(postgres_address) as other:
        house = House.in_record(one)
        services = [JudgeService(one), JudgeService(other)]
        made = [house.start() for _ in range(6)]
        for prep in made:
            house.read(prep.id, "on")
        for service in services:
            service.start()
        try:
            for prep in made:
                for service in services:
                    service.ask(prep.id)
            assert all(service.wait(WAITED_S) for service in services)
            end_s = time.monotonic() + WAITED_S
            while any(service.is_waiting(prep.id) for prep in made for service in services):
                assert time.monotonic() < end_s
                time.sleep(0.05)
            assert [_verdict_count(house, prep.id) for prep in made] == [1] * 6
        finally:
            for service in services:
                service.stop()


def test_a_worker_that_was_killed_is_started_anew(
    house: House, judge: JudgeService, done: list[JobView]
) -> None:
    prep = house.start()
    reading = house.read(prep.id, "on").view
    judge.ask(prep.id)
    assert judge.wait(WAITED_S)
    (worker,) = _workers(judge)
    os.kill(worker, signal.SIGKILL)
    house.read(prep.id, "on")
    withdraw_reading(house.record, reading.id, reason="slip", who=WHO)
    judge.ask(prep.id)
    assert judge.wait(WAITED_S)
    assert done[-1].problem == ""
    assert preps.open_prep(house.record, prep.id).verdict.is_current  # type: ignore[union-attr]
    assert _workers(judge) != [worker]


def test_stopping_ends_the_worker_and_the_thread(house: House, done: list[JobView]) -> None:
    before = set(threading.enumerate())  # the pages of other tests have a judge of their own in this process
    judge = JudgeService(house.record, on_done=done.append)
    judge.start()
    prep = house.start()
    house.read(prep.id, "on")
    judge.ask(prep.id)
    assert judge.wait(WAITED_S)
    (worker,) = _workers(judge)
    judge.stop()
    assert "verdict" not in {thread.name for thread in set(threading.enumerate()) - before}
    end = time.monotonic() + 10
    while _is_alive(worker) and time.monotonic() < end:
        time.sleep(0.05)
    assert not _is_alive(worker)


def test_the_house_learns_at_the_start_and_after_signatures_and_a_fault_ends_nothing(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned: list[object] = []

    def learn(record: object, *, fence: object) -> None:
        learned.append(record)
        raise RuntimeError("invented")

    monkeypatch.setattr("shimwise.bench.verdict.judge_service.learn_if_due", learn)
    monkeypatch.setattr(JudgeService, "_executor", lambda _: SimpleNamespace(submit=lambda _: None))
    judge = JudgeService(house.record)
    judge.start()
    assert judge.wait(WAITED_S)
    judge.learn()
    assert judge.wait(WAITED_S)
    assert learned == [house.record, house.record]
    judge.stop()


def _verdict_count(house: House, prep_id: str) -> int:
    with house.record.reading() as connection:
        return len(verdicts_of(connection, prep_id))


def _workers(judge: JudgeService) -> list[int]:
    pool = judge._pool
    assert pool is not None
    return list(pool._processes)


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
