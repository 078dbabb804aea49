"""Rows of a readings file that hold a landing by picture instead of a reading."""

import math

import pytest

from shimwise.files.errors import ReadingsFileError
from shimwise.files.readings import ReadingsFile, parse_readings

HEADER = (
    "body,lens,focal_length_mm,f_number,distance,reading,operator,setup,landing_um,landing_sd_um,setting\n"
)
BY_EYE = "A,L25,25,2,3','2 ft 11 in',anna,,,,\n".replace("'2 ft 11 in'", "2 ft 11 in")
BY_PICTURE = "A,L25,25,2,3',,,,-6.5,0.5,s1\n"


def parsed(text: str) -> ReadingsFile:
    return parse_readings(text, name="r.csv")


def test_readings_come_first_whatever_the_order_of_the_file() -> None:
    file = parsed(HEADER + BY_PICTURE + BY_EYE)
    (reading,), (landing,) = file.readings, file.landings
    assert (reading.row, reading.line) == (0, 3)
    assert (landing.row, landing.line, landing.setting) == (1, 2, "s1")
    assert landing.landing_um == -6.5
    # The seat's 1.5 µm (common practice) stands beside the picture's own uncertainty.
    assert landing.sd_um == pytest.approx(math.hypot(0.5, 1.5))
    assert landing.setup == reading.setup


def test_a_row_without_a_setting_has_one_of_its_own() -> None:
    rows = BY_PICTURE.replace("s1", "") * 2
    assert [one.setting for one in parsed(HEADER + rows).landings] == ["line 2", "line 3"]


def test_a_file_of_landings_needs_no_reading_and_no_operator() -> None:
    file = parsed(
        "body,lens,focal_length_mm,f_number,distance,setup,landing_um,landing_sd_um\nA,L25,25,2,3',,1,.4\n"
    )
    assert file.readings == ()
    assert len(file.landings) == 1


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("A,L25,25,2,3',3',anna,,-6.5,0.5,\n", "stands beside a landing by picture"),
        ("A,L25,25,2,3',,,,-6.5,,\n", "needs both"),
        ("A,L25,25,2,3',,,,,0.5,\n", "needs both"),
        ("A,L25,25,2,3',,,,-6.5,0,\n", "out of range"),
    ],
)
def test_what_is_half_is_refused(row: str, words: str) -> None:
    with pytest.raises(ReadingsFileError, match=words):
        parsed(HEADER + row)


def test_a_file_without_readings_still_names_the_column_that_is_missing() -> None:
    with pytest.raises(ReadingsFileError, match="reading"):
        parsed("body,lens,focal_length_mm,f_number,distance,operator,setup,landing_um\nA,L25,25,2,3',,,1\n")
