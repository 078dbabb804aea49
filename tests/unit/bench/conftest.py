"""A record with an invented house, new for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from invented_house import House

from shimwise.record import Record


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with Record.open(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def house(record: Record) -> House:
    return House.in_record(record)
