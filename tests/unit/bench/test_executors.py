"""Heavy work on processes of this machine, and on a real scheduler with real workers."""

import math
import os
import signal
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from dask_process import certificates, client_settings, dask_process, free_address
from shimwise.bench import cluster, executors
from shimwise.bench.cluster import ClusterError, ClusterGone, checked_address
from shimwise.bench.executors import Outcome, each_done, executor_of, workers_of
from shimwise.bench.verdict.judge_input import small_question
from shimwise.bench.verdict.judge_worker import judged
from shimwise.errors import OpticsError

ITEMS = list(range(12))
needs_cluster = pytest.mark.skipif(
    find_spec("distributed") is None, reason="needs shimwise[cluster]: distributed is not installed"
)


def rooted(item: int) -> float:
    if item == 3:
        raise OpticsError("3 has no root here. Give another.")
    return math.sqrt(item)


def slow(item: int) -> int:
    time.sleep(0.05)
    return item


def ends_its_process_at_3(item: int) -> int:
    if item == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.05)
    return item


def in_order(found: Iterator[Outcome[float]]) -> list[Outcome[float]]:
    return sorted(found, key=lambda one: one.place)


@pytest.mark.slow
def test_every_item_has_one_outcome_and_a_refusal_stops_no_other() -> None:
    found = in_order(each_done(rooted, ITEMS, most=2))
    assert [one.place for one in found] == ITEMS
    assert found[3].problem == "3 has no root here. Give another."
    assert [one.result for one in found if one.place != 3] == [math.sqrt(i) for i in ITEMS if i != 3]


@pytest.mark.slow
def test_a_task_that_ends_its_process_is_given_up_and_the_others_are_done_once() -> None:
    found = in_order(each_done(ends_its_process_at_3, ITEMS, most=2))
    assert [one.result for one in found] == [None if i == 3 else i for i in ITEMS]
    assert "ended without an answer" in found[3].problem


def test_work_that_nobody_waits_for_any_more_ends_at_once() -> None:
    began_s = time.monotonic()
    work = each_done(time.sleep, [0.0, 60.0, 60.0], most=2)
    assert next(work).place == 0
    work.close()
    assert time.monotonic() - began_s < 20


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("tcp://10.0.0.7:8786", "unencrypted.*write tls://10.0.0.7:8786"),
        ("tcp://house.example:8786", "unencrypted"),
        ("http://127.0.0.1:8786", "no address of a scheduler"),
        ("tls://127.0.0.1", "no address of a scheduler"),
        ("tls://somebody@house:8786", "no address of a scheduler"),
        ("tls://house:99999", "no address of a scheduler"),
    ],
)
def test_an_address_that_may_not_be_asked_is_refused_in_words(address: str, words: str) -> None:
    with pytest.raises(ClusterError, match=words):
        workers_of(address)


def test_plain_tcp_is_taken_of_this_machine_and_tls_of_any() -> None:
    for address in (
        "tcp://127.0.0.1:8786",
        "tcp://[::1]:8786",
        "tcp://localhost:1",
        "tls://house.example:8786",
    ):
        assert checked_address(f" {address}/ ") == address


def test_the_variable_names_the_workers_where_no_option_does(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(executors.WORKERS, "3")
    assert workers_of(None) == "3"
    assert workers_of("2") == "2"
    assert workers_of("") == ""
    with pytest.raises(ClusterError, match="1 to 64"):
        workers_of("0")


@pytest.mark.slow
@needs_cluster
def test_tls_without_certificates_says_which_setting_is_missing() -> None:
    with pytest.raises(ClusterError, match=r"distributed\.comm\.tls\.ca-file is not set"):
        executor_of("tls://127.0.0.1:8786")


@pytest.fixture(scope="class")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, dict[str, str]]]:
    """A scheduler with one worker by tls, and this process's certificates of the same authority."""
    import dask

    variables = certificates(tmp_path_factory.mktemp("house"))
    address = free_address("tls")
    with dask.config.set(client_settings(variables)), dask_process("both", address, **variables):
        yield address, variables


@needs_cluster
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
class TestOnACluster:
    def test_the_outcomes_are_those_of_this_machine(self, house: tuple[str, dict[str, str]]) -> None:
        there = in_order(each_done(rooted, ITEMS, workers=house[0]))
        assert there == in_order(each_done(rooted, ITEMS, most=1))

    def test_a_verdict_is_that_of_this_machine(self, house: tuple[str, dict[str, str]]) -> None:
        with executor_of(house[0]) as there, executor_of("1") as here:
            found = [pool.submit(judged, small_question()).result(60) for pool in (there, here)]
        assert found[0] == found[1]

    def test_a_client_with_certificates_of_another_authority_is_not_let_in(
        self, house: tuple[str, dict[str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import dask

        monkeypatch.setattr(cluster, "CONNECTING_S", 0.5)
        with (
            dask.config.set(client_settings(certificates(tmp_path))),
            pytest.raises(ClusterGone, match="No scheduler answers"),
        ):
            executor_of(house[0])

    def test_a_worker_of_another_version_is_refused_in_words(
        self, house: tuple[str, dict[str, str]], tmp_path: Path
    ) -> None:
        other = tmp_path / "shimwise-0.0.1.dist-info"
        other.mkdir()
        (other / "METADATA").write_text("Metadata-Version: 2.1\nName: shimwise\nVersion: 0.0.1\n")
        address, variables = house
        with (
            dask_process("worker", address, PYTHONPATH=str(tmp_path), **variables),
            pytest.raises(ClusterError, match=r"has shimwise 0\.0\.1; here it is shimwise"),
        ):
            executor_of(address)

    def test_a_worker_that_joins_later_compares_its_versions_itself(
        self, house: tuple[str, dict[str, str]]
    ) -> None:
        with executor_of(house[0]) as pool:
            pool._versions = {**cluster.versions_here(), "numpy": "1.0"}  # type: ignore[union-attr]
            with pytest.raises(ClusterError, match=r"has numpy .*; here it is numpy 1\.0"):
                pool.submit(math.sqrt, 4.0).result(20)

    def test_what_a_killed_worker_had_is_done_by_another(self, house: tuple[str, dict[str, str]]) -> None:
        address, variables = house
        with dask_process("worker", address, **variables) as worker:
            found = []
            for one in each_done(slow, list(range(24)), workers=address):
                found.append(one.place)
                if len(found) == 4:
                    worker.kill()
        assert sorted(found) == list(range(24))


@needs_cluster
@pytest.mark.slow
def test_a_scheduler_that_goes_and_comes_back_is_waited_for_and_nothing_is_done_twice() -> None:
    address, told, found = free_address(), [], []
    with dask_process("both", address) as first:
        work = each_done(slow, list(range(24)), workers=address, on_wait=told.append)
        found += [next(work).place for _ in range(4)]
        first.kill()
        first.wait()
        with dask_process("both", address):
            found += [one.place for one in work]
    assert sorted(found) == list(range(24))
    assert [line.split(". ")[0] for line in told] == [f"The scheduler at {address} is lost"]


@pytest.mark.slow
@needs_cluster
def test_a_scheduler_that_stays_away_ends_the_patience_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "CONNECTING_S", 0.3)
    monkeypatch.setattr(executors, "LOOK_S", 0.2)
    address = free_address()
    with pytest.raises(ClusterGone, match=f"No scheduler answers at {address}"):
        list(each_done(slow, ITEMS, workers=address))
