"""Many sweeps: what is kept is not measured again, whatever broke off; a bad folder stops no other."""

import csv
import json
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from shimwise.bench.executors import Outcome
from shimwise.bench.sweep import many
from shimwise.bench.sweep.many import SweepOrder, SweptFolder, measure_many
from shimwise.bench.sweep.many_papers import write_table
from shimwise.bench.sweep.measure import LookedAt, Recording, UnderTest
from shimwise.errors import ImagingError, SheetError

EXAMPLE = Path(__file__).parents[3] / "reference" / "sweep-1"
NOTHING = dict.fromkeys(("x_um", "x_sd_um", "y_um", "y_sd_um", "chart_yaw_deg", "chart_pitch_deg"))
DOCUMENT = {
    "best_um": 12.0,
    "sd_um": 0.1,
    "low_um": 11.8,
    "high_um": 12.2,
    "landing_um": -12.0,
    "band_cy_mm": [20, 62],
    "stars": [],
    "tilt": NOTHING,
    "flags": [],
}


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Measure in this process, as :func:`each_done` would elsewhere; the places in the order of the work."""
    asked: list[Path] = []

    def document_of(order: SweepOrder) -> dict[str, Any]:
        asked.append(order.place)
        if order.place.name == "bad":
            raise ImagingError("The frames of bad are black. Open the iris.")
        return DOCUMENT

    def each_done(
        function: Callable[[SweepOrder], Any], items: Sequence[SweepOrder], **_: object
    ) -> Iterator[Outcome[Any]]:
        for place, item in enumerate(items):
            try:
                yield Outcome(place, function(item))
            except ImagingError as error:
                yield Outcome(place, problem=str(error))

    monkeypatch.setattr(many, "document_of", document_of)
    monkeypatch.setattr(many, "each_done", each_done)
    return asked


@pytest.fixture
def folders(tmp_path: Path) -> list[Path]:
    made = []
    for name in ("one", "bad", "two", "three"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "sweep.json").write_text(json.dumps({"name": name}))
        (folder / "1.png").write_bytes(name.encode())
        made.append(folder)
    return made


def ordered(folders: Sequence[Path], *, body: str = "") -> list[SweepOrder]:
    return [
        SweepOrder(place=folder, looked_at=LookedAt(), recording=Recording(), under_test=UnderTest(body=body))
        for folder in folders
    ]


def names(places: Sequence[Path]) -> list[str]:
    return [place.name for place in places]


def test_a_bad_folder_stops_no_other_and_is_tried_again(
    measured: list[Path], folders: list[Path], tmp_path: Path
) -> None:
    out = tmp_path / "kept.jsonl"
    found = measure_many(ordered(folders), results=out)
    assert [one.problem for one in found] == ["", "The frames of bad are black. Open the iris.", "", ""]
    assert [one.is_measured for one in found] == [True, False, True, True]
    again = measure_many(ordered(folders), results=out)
    assert names(measured) == ["one", "bad", "two", "three", "bad"]
    assert [one.is_kept for one in again] == [True, False, True, True]
    assert again[0].document == DOCUMENT


def test_what_was_broken_off_goes_on_and_half_a_line_is_dropped(
    measured: list[Path], folders: list[Path], tmp_path: Path
) -> None:
    out = tmp_path / "kept.jsonl"
    measure_many(ordered(folders[:1]), results=out)
    whole = out.read_bytes()
    for cut in (1, len(whole) // 2, len(whole) - 1):
        out.write_bytes(whole + whole[:cut])
        measured.clear()
        assert all(one.is_measured for one in measure_many(ordered([folders[0], folders[2]]), results=out))
        assert names(measured) == ["two"]
        assert [json.loads(line)["folder"] for line in out.read_text().splitlines()] == [
            str(folders[0]),
            str(folders[2]),
        ]


@pytest.mark.parametrize("change", ["frame", "settings", "option", "chart"])
def test_what_a_result_depends_on_has_it_measured_again(
    change: str, measured: list[Path], folders: list[Path], tmp_path: Path
) -> None:
    out, one = tmp_path / "kept.jsonl", folders[:1]
    measure_many(ordered(one), results=out)
    if change == "frame":
        os.utime(one[0] / "1.png", (1, 1))
    elif change == "settings":
        (one[0] / "sweep.json").write_text('{"name": "eno"}')
    elif change == "chart":
        (one[0] / "chart.json").write_text("{}")
    measure_many(ordered(one, body="A-07" if change == "option" else ""), results=out)
    assert names(measured) == ["one", "one"]


def test_a_folder_that_moved_and_one_named_twice_are_measured_once(
    measured: list[Path], folders: list[Path], tmp_path: Path
) -> None:
    out = tmp_path / "kept.jsonl"
    assert len(measure_many(ordered([folders[0], folders[0]]), results=out)) == 1
    moved = folders[0].rename(tmp_path / "elsewhere")
    [found] = measure_many(ordered([moved]), results=out)
    assert (found.folder, found.is_kept, names(measured)) == (str(moved), True, ["one"])


def test_a_folder_that_is_not_there_is_said(measured: list[Path], tmp_path: Path) -> None:
    [found] = measure_many(ordered([tmp_path / "none"]), results=tmp_path / "kept.jsonl")
    assert "none cannot be read (No such file or directory)" in found.problem


@pytest.mark.parametrize("content", [b"no line", b'{"schema": "shimwise.sweep/2"}\n', b"\x00\xff" * 40])
def test_another_kind_of_file_is_left_as_it_is(content: bytes, tmp_path: Path, folders: list[Path]) -> None:
    out = tmp_path / "other"
    out.write_bytes(content)
    with pytest.raises(SheetError, match="line 1: that is no result of many sweeps"):
        measure_many(ordered(folders), results=out)
    assert out.read_bytes() == content


def test_the_table_has_a_row_each_and_no_cell_acts_in_a_spreadsheet(tmp_path: Path) -> None:
    found = [
        SweptFolder(folder="=one", document={**DOCUMENT, "flags": ["a: A.", "b: B."]}),
        SweptFolder(folder="two", problem="It is black."),
    ]
    write_table(found, tmp_path / "t.csv")
    write_table(found, tmp_path / "t.jsonl")
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["folder"] for row in rows] == ["'=one", "two"]
    assert [row["best_um"] for row in rows] == ["12.0", ""]
    assert [row["flags"] for row in rows] == ["a: A. | b: B.", ""]
    lines = [json.loads(line) for line in (tmp_path / "t.jsonl").read_text().splitlines()]
    assert [line["problem"] for line in lines] == ["", "It is black."]
    assert lines[0]["flags"] == ["a: A.", "b: B."]
    assert list(lines[0]) == list(rows[0])


@pytest.mark.slow
def test_the_example_is_measured_as_alone() -> None:
    [order] = ordered([EXAMPLE])
    assert many.document_of(order)["best_um"] == pytest.approx(12.0, abs=0.1)
