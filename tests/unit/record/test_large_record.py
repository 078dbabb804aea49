"""The builder of the large record makes a whole one, and no question walks through all readings."""

import sys
from pathlib import Path

import pytest

from shimwise.record.backup.checking import check
from shimwise.record.record import Record

sys.path.append(str(Path(__file__).parents[3]))  # for benchmarks.record

from benchmarks.record import build, measure


@pytest.fixture
def built(sqlite_template: Path, tmp_path: Path) -> Path:
    """Give the folder of a small record, built as the large one is."""
    path = tmp_path / "shimwise.sqlite"
    path.write_bytes(sqlite_template.read_bytes())
    build(path, prep_count=250, readings_a_prep=12)
    return tmp_path


@pytest.mark.slow
def test_the_invented_record_agrees_with_itself(built: Path) -> None:
    with Record.open(built) as record:
        assert check(record) == ()


@pytest.mark.slow
def test_no_page_walks_through_readings_or_lines_or_verdicts(built: Path) -> None:
    with Record.open(built) as record:
        measured = list(measure(record, prep_count=250, times=1))
    for one in measured:
        walked = {scan.split()[1] for scan in one.scans}
        # The house's units are few; the preps are walked newest first along an index, until the page is full.
        assert walked <= {"bodies", "lenses", "preps"}, one
        assert all("INDEX" in scan for scan in one.scans if "preps" in scan), one
