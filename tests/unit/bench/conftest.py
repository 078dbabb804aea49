"""A record with an invented house, new for each test."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from invented_house import House, furnish

from record_template import copied_record, empty_record, filled_with
from shimwise.record.record import Record
from signed_years import Clock


@pytest.fixture(autouse=True)
def _few_draws(few_draws: None) -> None:
    """Sample shortly: these tests ask what follows from a verdict, not how well it is known."""


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
def clock() -> Clock:
    """Return a clock that the test sets; a record has it where the test or its module asks for it."""
    return Clock(datetime(2025, 3, 1, 9, tzinfo=UTC))


@pytest.fixture
def record(request: pytest.FixtureRequest, record_folder: Path) -> Iterator[Record]:
    own = {"clock": request.getfixturevalue("clock")} if "clock" in request.fixturenames else {}
    with Record.open(record_folder, **own) as opened:
        yield opened


@pytest.fixture
def house(record: Record) -> House:
    return House(record, dict(filled_with(furnish)))
