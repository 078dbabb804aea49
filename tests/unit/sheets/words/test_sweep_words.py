"""Flags of one kind and one reason are told once."""

from invented_sweeps import MEASURED

from shimwise.imaging.focus.flags import Flag, raised
from shimwise.sheets.json.sweep_json import sweep_from_json
from shimwise.sheets.words.sweep_words import grouped_flags, other_readings


def test_frames_left_out_for_one_reason_are_told_together() -> None:
    size = "it is 640 × 480 px; the sweep is 800 × 450 px"
    details = [*(f"{n:03d}.png: {size}" for n in range(7)), "009.png: the file is empty"]
    flags = [str(raised(Flag.FRAME_LEFT_OUT, detail)) for detail in details]
    saturated = str(raised(Flag.SATURATED, "3 % of the pixels of star S0"))
    assert grouped_flags([flags[0], saturated, *flags[1:]]) == [
        f"7 frames left out (000.png, 001.png and 5 more): {size}.",
        saturated,
        "1 frame left out (009.png): the file is empty.",
    ]


def test_a_frame_without_a_name_is_counted_too() -> None:
    flags = [str(raised(Flag.FRAME_LEFT_OUT, "frame 3 has the position nan"))]
    assert grouped_flags(flags) == ["1 frame left out: frame 3 has the position nan."]


def test_other_readings_are_told_with_their_interval() -> None:
    others = [
        {"best_um": -8.91, "low_um": -9.3, "high_um": -8.52, "code": "frame_doubled"},
        {"best_um": -5.32, "low_um": -5.71, "high_um": -4.93, "code": "green"},
    ]
    sweep = sweep_from_json({**MEASURED, "channel": "luma", "alternatives": others})
    slip, green = other_readings(sweep)
    assert slip.startswith("If a frame is doubled there, best focus is at −8.9")
    assert green.startswith("Measured in luma; in green best focus is at −5.3")
    assert other_readings(sweep_from_json(MEASURED)) == []
