"""Flags are told apart and told in words."""

from shimwise.imaging.focus.flags import Flag, raised


def test_each_flag_has_its_own_name_and_a_sentence() -> None:
    assert len({flag.short for flag in Flag}) == len(list(Flag))
    assert all(flag.sentence.endswith(".") for flag in Flag)


def test_a_raised_flag_says_name_finding_and_what_to_do() -> None:
    text = str(raised(Flag.PEAK_AT_END, "1 frames lie beyond it at 79.0 µm"))
    assert text.startswith("peak at the end: 1 frames lie beyond it at 79.0 µm. The peak lies")


def test_a_flag_can_be_weakened_but_not_made_to_stop() -> None:
    assert not raised(Flag.SATURATED, "0.2 %", stops=False).stops
    assert not raised(Flag.MARKERS_LOST, "2 frames", stops=True).stops
