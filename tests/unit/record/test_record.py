"""The record at work: made, written, read again after it was closed."""

import math
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from invented_rows import a_job, a_reading, a_setup
from sqlalchemy import event, text

from shimwise.record.errors import RecordAway
from shimwise.record.queries import evidence, preps
from shimwise.record.record import Record
from shimwise.record.tables.mapping import row_by_id
from shimwise.record.tables.rows import SetupRow

BURST = 20


def test_a_reading_is_there_after_the_record_was_closed(tmp_path: Path) -> None:
    with Record.open(tmp_path) as record:
        a_job(record, readings=1)
        with record.writing(who="Ann") as change:
            evidence.add_setup(change, a_setup(2, distance_mm=math.inf, distance_text="INF"))
    with Record.open(tmp_path) as again, again.reading() as connection:
        assert evidence.readings(connection, "prep-1") == [replace(a_reading(1), seq=1)]
        assert row_by_id(connection, SetupRow, "setup-1-2").distance_mm == math.inf
        assert preps.prep(connection, "prep-1").revision == 3


def test_who_saves_in_a_burst_after_the_start_finds_connections_open(tmp_path: Path) -> None:
    opened: list[object] = []
    with Record.open(tmp_path) as record:
        event.listen(record.engine, "connect", lambda connection, _: opened.append(connection))
        record.open_connections()
        assert len(opened) >= BURST

        opened.clear()
        together = threading.Barrier(BURST)

        def look() -> None:
            with record.reading() as connection:
                connection.execute(text("SELECT count(*) FROM preps")).scalar_one()
                together.wait(10)

        with ThreadPoolExecutor(BURST) as people:
            for looking in [people.submit(look) for _ in range(BURST)]:
                looking.result()

    assert not opened


def test_opening_connections_where_the_record_is_away_is_left_to_who_asks_next(tmp_path: Path) -> None:
    with Record.open(tmp_path) as record:
        (tmp_path / "shimwise.sqlite").unlink()

        record.open_connections()

        with pytest.raises(RecordAway), record.reading():
            pass
