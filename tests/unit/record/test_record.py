"""The record at work: made, written, read again after it was closed."""

import math
from datetime import UTC, datetime
from pathlib import Path

from shimwise.record import Record
from shimwise.record.queries import evidence, preps, units
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow


def test_a_reading_is_there_after_the_record_was_closed(tmp_path: Path) -> None:
    now = datetime(2025, 3, 1, 9, 30, tzinfo=UTC)
    with Record.open(tmp_path) as record, record.writing(who="Ann") as change:
        units.add_body(change, BodyRow(id="b", name="Body A"))
        units.add_lens(change, LensRow(id="l", name="Lens 50", focal_lengths_mm=(50.0,)))
        preps.add_prep(
            change,
            PrepRow(
                id="p", title="Invented", started_at=now, started_by="Ann", body_ids=("b",), lens_ids=("l",)
            ),
        )
        evidence.add_setup(
            change,
            SetupRow(
                id="s",
                prep_id="p",
                body_id="b",
                name="far",
                distance_mm=math.inf,
                distance_text="INF",
                taped_by="Ann",
                taped_at=now,
            ),
        )
        saved = evidence.add_reading(
            change,
            ReadingRow(
                id="r",
                prep_id="p",
                setup_id="s",
                body_id="b",
                lens_id="l",
                focal_mm=50.0,
                fnumber=2.0,
                reading_mm=1828.8,
                reading_text="6'",
                operator="Ann",
                taken_at=now,
            ),
        )
    with Record.open(tmp_path) as again, again.reading() as connection:
        assert evidence.readings(connection, "p") == [saved]
        assert evidence.setup(connection, "s").distance_mm == math.inf
        assert preps.prep(connection, "p").revision == 2
