"""A readings file of a unit that was adjusted between its readings: two states, wherever the file goes."""

import uuid
from pathlib import Path

from invented_house import WHO, House

from shimwise.bench.exchange import record_admin
from shimwise.bench.exchange.import_readings import import_readings
from shimwise.record.queries import verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import AdjustmentRow


def test_no_two_states_are_pooled_by_whoever_reads_the_file(house: House, tmp_path: Path) -> None:
    prep = house.start()
    house.read(prep.id, "3'")
    with house.record.writing(who=WHO) as change:
        moved = AdjustmentRow(
            id=uuid.uuid4().hex,
            unit_kind="body",
            unit_id=house.ids["A-01"],
            epoch_before=0,
            epoch_after=1,
            action="screw",
            made_by=WHO,
            made_at=change.at,
        )
        verdicts.add_adjustment(change, moved)
    house.read(prep.id, "2' 11 1/2\"")
    sent = record_admin.export_readings_csv(house.record, prep.id)
    bodies = ("A-01 before adjustment 1", "A-01")
    with Record.open(tmp_path / "away") as away:
        done = import_readings(away, sent.encode(), who=WHO)
        assert (done.bodies, done.added) == (bodies, 2)
