"""Signed preps of another house: learned from once, forgotten when reopened, charted as they were signed."""

import shutil
from pathlib import Path

import pytest

from shimwise.bench.exchange import record_admin
from shimwise.bench.history.drift import unit_drift
from shimwise.bench.sign import signing
from shimwise.record.queries import units
from shimwise.record.record import Record
from shimwise.record.tables.rows import BodyRow
from signed_years import WHO, Years

pytestmark = pytest.mark.slow  # signs many preps
SIGNED_UM = [-12, -9, -15]


@pytest.fixture
def home(tmp_path: Path) -> Years:
    return Years.begun(tmp_path / "home")


def row(record: Record, body_id: str) -> tuple[float | None, float | None]:
    with record.reading() as connection:
        found = units.unit(connection, BodyRow, body_id)
    return found.history_mean_um, found.history_sd_um


def brought(home: Years, away: Record, prep_id: str) -> bool:
    return record_admin.import_prep(away, record_admin.export_prep(home.record, prep_id), who=WHO).is_new


def test_a_house_learns_from_a_prep_signed_elsewhere_and_forgets_it_when_it_is_reopened(
    home: Years, tmp_path: Path
) -> None:
    home.sign_monthly([-12])
    # The other house remembers the very same of these units from here on.
    record_admin.backup(home.record, tmp_path / "copy.sqlite")
    (tmp_path / "away").mkdir()
    shutil.copy(tmp_path / "copy.sqlite", tmp_path / "away" / "shimwise.sqlite")
    away, known = Record.open(tmp_path / "away"), []
    for value_um in (-9, -15):
        home.sign_monthly([value_um])
        known.append(row(home.record, home.body_id))
        assert brought(home, away, home.prep_ids[-1])
        assert row(away, home.body_id) == pytest.approx(known[-1], rel=1e-9)
    assert not brought(home, away, home.prep_ids[-1])
    signing.reopen(away, home.prep_ids[-1], reason="to look again", who=WHO)
    assert row(away, home.body_id) == pytest.approx(known[0], rel=1e-9)


def test_a_unit_brings_what_its_house_knew_and_is_not_counted_twice(tmp_path: Path) -> None:
    home = Years.signed(tmp_path / "home", SIGNED_UM)
    away, known = Record.open(tmp_path / "away"), row(home.record, home.body_id)
    for prep_id in reversed(home.prep_ids):
        assert brought(home, away, prep_id)
        assert row(away, home.body_id) == known
    signing.reopen(away, home.prep_ids[0], reason="to look again", who=WHO)
    assert row(away, home.body_id) == known


def test_its_drift_is_charted_by_what_was_known_where_it_was_signed(tmp_path: Path) -> None:
    home = Years.signed(tmp_path / "home", SIGNED_UM)
    away = Record.open(tmp_path / "away")
    for prep_id in home.prep_ids:
        brought(home, away, prep_id)
    here, there = unit_drift(away, "body", home.body_id), unit_drift(home.record, "body", home.body_id)
    assert (here.state, here.headline) == (there.state, there.headline)
    assert [one.surprise for one in here.rows] == [one.surprise for one in there.rows]
    assert any(one.surprise for one in here.rows)
