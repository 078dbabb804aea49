"""A record with an invented house, new for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from invented_house import House, furnish

from record_template import copied_record, empty_record, filled_with
from shimwise.record.record import Record


@pytest.fixture
def record_folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return the folder of a record: the house's where the test has one, else an empty one."""
    folder = tmp_path / "record"
    if "house" in request.fixturenames:
        copied_record(folder, furnish)
    else:
        empty_record(folder)
    return folder


@pytest.fixture
def record(record_folder: Path) -> Iterator[Record]:
    with Record.open(record_folder) as opened:
        yield opened


@pytest.fixture
def house(record: Record) -> House:
    return House(record, dict(filled_with(furnish)))
