"""A sweep's list of frames, made from what a person says, is what the measuring reads."""

import json
from pathlib import Path

import pytest

from shimwise.bench.errors import InputError
from shimwise.bench.sweep.sweep_list import StatedPositions, list_frames, sweep_json
from shimwise.imaging.frames.listing import Coordinate, read_sweep_json

NAMES = ["b10.png", "b2.png", "chart.json", "b1.png"]


def read_back(folder: Path, stated: StatedPositions) -> tuple[Coordinate, list[tuple[str | None, float]]]:
    (folder / "sweep.json").write_bytes(sweep_json(NAMES, stated))
    listing = read_sweep_json(folder / "sweep.json")
    assert listing.chart == "chart.json"
    return listing.coordinate, [(one.file, one.position) for one in listing.entries]


def test_first_position_and_step_go_through_the_frames_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    stated = StatedPositions(swept="position_um", first="-10", step="10")
    coordinate, entries = read_back(tmp_path, stated)
    assert coordinate is Coordinate.POSITION_UM
    assert entries == [("b1.png", -10), ("b2.png", 0), ("b10.png", 10)]


def test_of_a_ring_lengths_are_typed_as_on_the_lens_and_may_come_nearer(tmp_path: Path) -> None:
    coordinate, entries = read_back(tmp_path, StatedPositions(swept="ring", first="3'", step='-1/2"'))
    assert coordinate is Coordinate.RING
    assert [position for _, position in entries] == pytest.approx([914.4, 901.7, 889.0])


def test_every_position_may_be_listed_and_one_may_be_infinity(tmp_path: Path) -> None:
    stated = StatedPositions(swept="distance", positions="3'; 6'; INF")
    assert [position for _, position in read_back(tmp_path, stated)[1]][:2] == [914.4, 1828.8]
    assert [one.words for one in list_frames(NAMES, stated)] == ["3'", "6'", "INF"]


@pytest.mark.parametrize(
    ("stated", "field"),
    [
        ({"swept": ""}, "swept"),
        ({"swept": "ring", "first": "3'", "step": "0"}, "step"),
        ({"swept": "ring", "first": "1 in", "step": '-1"'}, "step"),
        ({"swept": "position_um", "first": "much", "step": "10"}, "first"),
        ({"swept": "position_um", "positions": "1; 2"}, "positions"),
    ],
)
def test_what_does_not_fit_the_frames_is_refused_at_its_field(stated: dict[str, str], field: str) -> None:
    with pytest.raises(InputError) as refused:
        list_frames(NAMES, StatedPositions(**stated))
    assert refused.value.field == field


def test_the_document_holds_only_what_was_said() -> None:
    document = json.loads(
        sweep_json(["a.png", "b.png"], StatedPositions(swept="turns", first="0", step="0.1"))
    )
    assert document == {
        "frames": [{"file": "a.png", "turns": 0.0}, {"file": "b.png", "turns": 0.1}],
        "swept": "the screw of the sensor, + clockwise",
    }
