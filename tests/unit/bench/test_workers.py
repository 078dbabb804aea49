"""Work in processes of its own: few at a time, bounded in time and memory, and a clear word where it ends."""

import os
import threading
import time
from collections.abc import Iterator

import pytest

from shimwise.bench.errors import StoreError
from shimwise.bench.workers import Ask, TooMuchWork, Workers
from shimwise.errors import SheetError, ShimwiseError

GIB = 1024**3


def doubled(ask: Ask, number: int) -> int:
    return 2 * number


def asked(ask: Ask, words: list[str]) -> list[str]:
    return [ask(word) for word in words]


def own_id(ask: Ask) -> int:
    return os.getpid()


def asleep(ask: Ask, for_s: float) -> None:
    time.sleep(for_s)


def filled(ask: Ask, count: int) -> int:
    return len(bytearray(count))


def filled_without_a_limit(ask: Ask, count: int) -> int:
    """As on a system where no memory can be limited."""
    import resource

    from shimwise.bench.workers import limit_memory

    del resource.setrlimit
    limit_memory(200 * 2**20)
    time.sleep(0.05)
    held = bytearray(b"x") * count
    time.sleep(20)
    return len(held)


def ended(ask: Ask) -> None:
    os._exit(3)


def refused(ask: Ask, kind: str) -> None:
    if kind == "sheet":
        raise SheetError("no sheet")
    raise StoreError("is away.", where="house")


def faulty(ask: Ask) -> None:
    raise KeyError("here")


@pytest.fixture(scope="module")
def workers() -> Iterator[Workers]:
    made = Workers(what="Counting this", most=1, patience_s=20, most_bytes=GIB)
    yield made
    made.stop()


@pytest.mark.slow
def test_a_worker_is_kept_for_the_next(workers: Workers) -> None:
    assert workers.run(doubled, 21) == 42
    assert workers.run(own_id) == workers.run(own_id) != os.getpid()


@pytest.mark.slow
def test_what_a_worker_asks_is_answered_here(workers: Workers) -> None:
    assert workers.run(asked, ["a", "b"], answer=str.upper) == ["A", "B"]

    def fail(_: object) -> None:
        raise ConnectionError("the record is away")

    with pytest.raises(ConnectionError, match="the record is away"):
        workers.run(asked, ["a"], answer=fail)
    assert workers.run(doubled, 1) == 2


@pytest.mark.slow
def test_what_it_refuses_is_refused_here_with_its_kind_or_its_words(workers: Workers) -> None:
    with pytest.raises(SheetError, match="no sheet"):
        workers.run(refused, "sheet")
    with pytest.raises(ShimwiseError, match="The record is away"):
        workers.run(refused, "record")
    with pytest.raises(RuntimeError, match="KeyError: 'here'"):
        workers.run(faulty)


@pytest.mark.slow
def test_too_much_memory_and_a_sudden_end_are_refused_and_the_next_one_works(workers: Workers) -> None:
    with pytest.raises(TooMuchWork, match=r"Counting this took more than 1 GB of memory and was ended\."):
        workers.run(filled, 2 * GIB)
    with pytest.raises(TooMuchWork, match="ended without an answer"):
        workers.run(ended)
    assert workers.run(doubled, 4) == 8


@pytest.mark.slow
def test_where_the_system_limits_no_memory_the_worker_ends_itself(workers: Workers) -> None:
    pytest.importorskip("resource")
    with pytest.raises(TooMuchWork, match="of memory and was ended"):
        workers.run(filled_without_a_limit, 300 * 2**20)


@pytest.mark.slow
def test_work_that_takes_too_long_is_ended() -> None:
    workers = Workers(what="Counting this", most=1, patience_s=0.2)
    try:
        began_s = time.monotonic()
        with pytest.raises(TooMuchWork, match=r"took more than 0\.2 s and was ended"):
            workers.run(asleep, 60.0)
        assert time.monotonic() - began_s < 20
    finally:
        workers.stop()


@pytest.mark.slow
def test_no_more_work_at_once_than_there_are_workers() -> None:
    workers = Workers(what="Counting this", most=2)
    at_once, most, lock = 0, 0, threading.Lock()

    def count(step: int) -> None:
        nonlocal at_once, most
        with lock:
            at_once += step
            most = max(most, at_once)

    threads = [
        threading.Thread(target=workers.run, args=(asked, [1, -1]), kwargs={"answer": count})
        for _ in range(8)
    ]
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert 1 <= most <= 2
    finally:
        workers.stop()
