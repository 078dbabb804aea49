"""Landings by picture on a prep's page: entered by hand, listed in words, asked about, corrected."""

from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import SCRIPT, furnished


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    """A prep with a set-up at 3 ft."""
    found = str(door.start()["id"])
    door.post(f"/preps/{found}/setups", 201, body_id=door.ids["A-01"], distance_text="3'", who=WHO)
    return found


def sent(door: Door, prep_id: str, status: int = 200, **more: str) -> str:
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    fields = {
        "setup_id": setup["id"],
        "lens_id": door.ids["H50"],
        "landing_um": "−12,3",
        "landing_sd_um": "0.7",
        "setting": "1",
        "who": WHO,
    }
    answer = door.client.post(f"/preps/{prep_id}/pictures", data={**fields, **more}, headers=SCRIPT)
    assert answer.status_code == status, answer.text[:600]
    return unescape(answer.text)


def part(door: Door, address: str) -> str:
    return unescape(door.client.get(address, headers=SCRIPT).text)


def test_it_is_saved_and_listed_in_words(door: Door, prep_id: str) -> None:
    html = sent(door, prep_id)
    assert "H50 on A-01 at 3': by picture −12.3 ± 1.4 µm; the first of this lens on this body" in html
    assert 'name="setting" value="1"' in html, "the next repeat is of the same setting"
    listed = part(door, f"/preps/{prep_id}/readings")
    assert "at 3': by picture −12.3 ± 1.4 µm" in listed
    assert "· setting 1" in listed


def test_what_is_missing_or_wrong_is_told_beside_its_field(door: Door, prep_id: str) -> None:
    assert "A number is needed here" in sent(door, prep_id, 422, landing_um="")
    assert "“far” is no number. Type one such as -12.3." in sent(door, prep_id, 422, landing_um="far")
    assert "is out of range" in sent(door, prep_id, 422, landing_sd_um="0")


def test_one_too_far_off_is_kept_when_somebody_says_so(door: Door, prep_id: str) -> None:
    html = sent(door, prep_id, 422, landing_um="700")
    assert "Farther than body and lens go together" in html
    sure = html.split('name="sure" value="')[1].split('"')[0]
    assert "<b>Saved.</b>" in sent(door, prep_id, landing_um="700", sure=sure)


def test_it_is_corrected_in_its_own_form(door: Door, prep_id: str) -> None:
    sent(door, prep_id)
    (one,) = door.get(f"/preps/{prep_id}")["readings"]
    html = part(door, f"/preps/{prep_id}/readings/{one['id']}/correct")
    assert "Correcting reading 1" in html
    assert 'name="landing_um" value="−12.3"' in html
    assert 'id="reading_text"' not in html
    sent(door, prep_id, landing_um="-1.2", corrects=one["id"], reason="mistyped")
    readings = door.get(f"/preps/{prep_id}")["readings"]
    assert sorted((each["landing_um"], each["is_withdrawn"]) for each in readings) == [
        (-12.3, True),
        (-1.2, False),
    ]


def test_the_whole_page_and_the_settings_have_their_fields(door: Door, prep_id: str) -> None:
    assert "Enter a landing by picture" in door.client.get(f"/preps/{prep_id}").text
    settings = {"units": "ft", "theme": "dark", "tolerance_um": "10", "coc_um": "20", "who": WHO}
    door.client.post("/settings", data={**settings, "setting_sd_mm": "0,4"})
    assert door.get("/settings")["setting_sd_mm"] == 0.4
    assert 'name="setting_sd_mm" value="0.4"' in door.client.get("/settings").text
