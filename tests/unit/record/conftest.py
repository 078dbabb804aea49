"""An open record on each database, and invented rows to put into it."""

from collections.abc import Iterator

import pytest

from shimwise.record.record import Record


@pytest.fixture
def record(record_address: str) -> Iterator[Record]:
    """Give an open, empty record: once on SQLite, once on PostgreSQL."""
    with Record.open(record_address) as opened:
        yield opened
