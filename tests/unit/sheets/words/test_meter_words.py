"""The meter in words: the tilt as far as it is known, and why a side is not known any more."""

from shimwise.sheets.json.meter_json import MeterLine, TiltLine
from shimwise.sheets.words.meter_words import meter_notes, meter_sentence, tilt_sentence


def test_edges_agree_only_where_the_tilt_is_known_to_ten_microns() -> None:
    wide = TiltLine(x_um=5.0, x_sd_um=24.5, y_um=1.0, y_sd_um=0.8, is_chart_out=True)
    assert tilt_sentence(wide) == (
        "Tilt: left and right edge are not known yet to better than 53 µm; top and bottom edge agree within "
        "3 µm. Turn slowly through the sharpest place and back once more: it is known better then."
    )
    known = TiltLine(x_um=-40.0, x_sd_um=10.0, y_um=1.0, y_sd_um=0.8, is_chart_out=True)
    assert tilt_sentence(known) == (
        "Tilt: the left edge is sharp 40 ± 20 µm farther from the lens than the right; top and bottom edge "
        "agree within 3 µm."
    )


def test_a_side_that_was_lost_has_its_reason_and_what_to_do() -> None:
    line = MeterLine(
        t_s=9.0,
        state="still",
        offset_um=12.0,
        low_um=11.4,
        high_um=12.6,
        is_signed=False,
        sharpened=False,
        frames=225,
        dropped=0,
        notes=("passage_doubted",),
    )
    assert meter_sentence(line) == "12.0 ± 0.6 µm from the sharpest."
    assert meter_notes(line) == [
        "Which way is not known: a passage through the sharpest place was too short or too fast to be "
        "counted. Rest, and name the direction of the next turn."
    ]
