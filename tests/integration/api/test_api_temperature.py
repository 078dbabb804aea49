"""The temperature at each reading, from the interface and a readings file to a notice of the verdict."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import WHO, Door, opened_door

from shimwise.files.errors import ReadingsFileError
from shimwise.files.readings import parse_readings
from shimwise.inference.model.prep import Prep
from shimwise.inference.verdict.judge import judge

HEADER = "body,lens,focal_length_mm,f_number,distance,reading,operator,setup,temperature_c\n"


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_door(tmp_path / "record") as opened:
        yield opened


def changed_in(door: Door, prep_id: str) -> list[str]:
    verdict = door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    return [one["text"] for one in verdict["notices"] if one["code"] == "temperature_changed"]


def test_a_prep_that_became_warmer_by_more_than_5_kelvin_is_told(door: Door) -> None:
    prep_id = str(door.start(set_id=None, lens_ids=[door.ids["H50"]], temperature_c=18)["id"])
    door.read(prep_id, "on")
    door.read(prep_id, "on", temperature_c=23)
    assert changed_in(door, prep_id) == []
    kept = door.read(prep_id, "on", temperature_c=24.5)
    assert kept["reading"]["temperature_c"] == 24.5
    (text,) = changed_in(door, prep_id)
    assert text.startswith("The temperature went from 18 to 24.5 °C within the prep")
    assert ",24.5" in door.client.get(f"/api/v1/preps/{prep_id}/readings.csv").text
    door.read(prep_id, "on", 422, temperature_c=200)


@pytest.mark.parametrize(("last", "is_told"), [("23 °C", False), ("23.5", True), ("", False)])
def test_a_column_of_temperatures_is_read_and_used(last: str, *, is_told: bool) -> None:
    rows = f"A,P50,50,2,3 ft,3 ft,Bo,,18\nA,P50,50,2,3 ft,3 ft,Bo,,{last}\n"
    readings = parse_readings(HEADER + rows, name="r.csv").readings
    codes = [one.code for one in judge(Prep(readings=readings)).notices]
    assert ("temperature_changed" in codes) is is_told


def test_a_temperature_that_is_none_is_refused_with_its_column() -> None:
    with pytest.raises(ReadingsFileError) as refused:
        parse_readings(HEADER + "A,P50,50,2,3 ft,3 ft,Bo,,warm\n", name="r.csv")
    assert refused.value.column == "temperature_c"
