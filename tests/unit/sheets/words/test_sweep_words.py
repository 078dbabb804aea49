"""Flags of one kind and one reason are told once."""

from shimwise.imaging.focus.flags import Flag, raised
from shimwise.sheets.words.sweep_words import grouped_flags


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
