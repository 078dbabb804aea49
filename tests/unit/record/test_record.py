"""The record at work: made, written, read again after it was closed."""

import math
from dataclasses import replace
from pathlib import Path

from invented_rows import a_job, a_reading, a_setup

from shimwise.record.queries import evidence, preps
from shimwise.record.record import Record


def test_a_reading_is_there_after_the_record_was_closed(tmp_path: Path) -> None:
    with Record.open(tmp_path) as record:
        a_job(record, readings=1)
        with record.writing(who="Ann") as change:
            evidence.add_setup(change, a_setup(2, distance_mm=math.inf, distance_text="INF"))
    with Record.open(tmp_path) as again, again.reading() as connection:
        assert evidence.readings(connection, "prep-1") == [replace(a_reading(1), seq=1)]
        assert evidence.setup(connection, "setup-1-2").distance_mm == math.inf
        assert preps.prep(connection, "prep-1").revision == 3
