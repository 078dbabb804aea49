"""A house read by parts is the house read at once, on processes of this machine and on a cluster."""

from collections.abc import Iterator
from importlib.util import find_spec

import pytest

from dask_process import dask_process, free_address
from shimwise.bench.cluster import ClusterError
from shimwise.bench.history import house_parts
from shimwise.bench.history.house_network import house_network
from shimwise.bench.history.house_parts import all_signed_preps
from signed_years import WHO, Years

pytestmark = [pytest.mark.slow]


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Years]:
    years = Years.signed(tmp_path_factory.mktemp("years"), [0.0, 3.0, -4.0])
    yield years
    years.record.close()


@pytest.fixture(autouse=True)
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(house_parts, "PART", 2)


def test_processes_of_this_machine_read_what_one_reads(years: Years) -> None:
    at_once = all_signed_preps(years.record)
    assert [one.days for one in at_once] == sorted(one.days for one in at_once)
    told = []
    by_parts = all_signed_preps(years.record, workers="2", progress=lambda *step: told.append(step))
    assert by_parts == at_once
    assert (told[0], told[-1]) == ((house_parts.READING, 0, 3), (house_parts.READING, 3, 3))


@pytest.mark.skipif(
    find_spec("distributed") is None, reason="needs shimwise[cluster]: distributed is not installed"
)
def test_a_cluster_comes_to_the_same_house(years: Years) -> None:
    address = free_address()
    with dask_process("both", address):
        there = house_network(years.record, who=WHO, workers=address)
    assert there == house_network(years.record, who=WHO)


def test_workers_elsewhere_are_not_sent_to_a_file_of_this_machine(years: Years) -> None:
    with pytest.raises(ClusterError, match=r"a file of this machine.*--workers 4"):
        all_signed_preps(years.record, workers="tls://house.example:8786")
