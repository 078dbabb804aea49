"""A unit's drift at every door: its page with picture and table, the interface, the command line."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from api_house import Door, TestClient, app_over
from bench_files import Run
from pages_house import see

from shimwise.number_format import plus_minus_text
from signed_years import Years

DEEPER_UM = (0, 1, -1, 0, 3, 6, 9, 12)


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Years]:
    years = Years.signed(tmp_path_factory.mktemp("years") / "record", DEEPER_UM)
    with years.record:
        yield years


@pytest.fixture
def door(years: Years) -> Iterator[Door]:
    with app_over(years.record, has_pages=True) as app, TestClient(app) as client:
        yield Door(client=client, record=years.record)


def test_the_page_of_a_body_says_that_it_drifts_first_and_then_what_to_do(door: Door, years: Years) -> None:
    page = see(door, f"/bodies/{years.body_id}")
    text = " ".join(page.text.split())
    assert text.count("Body A-01 drifts deep since the sign-off of 6 May 2025") == 2
    assert text.index("drifts deep") < text.index("What is known") < text.index("Check it again sooner")
    assert f"/bodies/{years.body_id}/drift" in page.links


def test_behind_the_picture_stands_a_table_of_every_sign_off(door: Door, years: Years) -> None:
    page = see(door, f"/bodies/{years.body_id}")
    assert page.text.count("beyond the limits, deep") == sum(
        row["is_beyond"] for row in door.get(f"/bodies/{years.body_id}/drift")["rows"]
    )
    assert all(f"/preps/{prep_id}" in page.links for prep_id in years.prep_ids)


def test_the_picture_is_one_image_with_a_name(door: Door, years: Years) -> None:
    answer = door.client.get(f"/bodies/{years.body_id}/drift", params={"width": 400})
    assert answer.status_code == 200
    assert answer.text.count('role="img"') == 1
    assert "Moving average and sums" in answer.text
    lens = door.client.get(f"/lenses/{years.lens_id}/drift")
    assert lens.status_code == 200


def test_a_lens_that_holds_is_told_so_on_its_page(door: Door, years: Years) -> None:
    text = " ".join(see(door, f"/lenses/{years.lens_id}").text.split())
    assert text.count("Lens H50 holds") == 1
    assert "Check it again sooner" not in text


def test_the_interface_gives_the_same(door: Door, years: Years) -> None:
    found = door.get(f"/bodies/{years.body_id}/drift")
    assert (found["state"], found["sign_off_count"]) == ("drifts_deep", len(DEEPER_UM))
    assert found["since"].startswith("2025-05-06")
    assert door.get(f"/lenses/{years.lens_id}/drift")["state"] == "steady"
    door.get(f"/bodies/{'0' * 32}/drift", 404)


def test_the_command_line_gives_the_same_and_its_exit_code_says_so(
    run: Run, years: Years, door: Door
) -> None:
    place = years.record.folder
    code, out, _ = run("drift", "A-01", "--data", place)
    assert code == 1
    assert out.startswith("Body A-01 drifts deep since the sign-off of 6 May 2025")
    assert all(len(line) < 100 for line in out.splitlines())
    rows = json.loads(run("drift", "A-01", "--json", "--data", place)[1])["rows"]
    expected = [(one["expected_um"], 1.96 * one["expected_sd_um"]) for one in rows if one["expected_um"]]
    assert len(expected) >= 3
    page = " ".join(see(door, f"/bodies/{years.body_id}").text.split())
    for value, half in expected:  # as the error beside it is written
        assert f"  {plus_minus_text(value, half)}  " in out
        assert f"{plus_minus_text(value, half)} µm" in page
    code, out, _ = run("drift", "H50", "--json", "--data", place)
    assert (code, json.loads(out)["state"]) == (0, "steady")
    code, _, err = run("drift", "Z-99", "--data", place)
    assert code == 2
    assert "no body or lens [Z-99]" in err


def test_a_house_that_signed_nothing_says_that_it_cannot_be_told_yet(run: Run, tmp_path: Path) -> None:
    Years.begun(tmp_path / "fresh").record.close()
    code, out, _ = run("drift", "A-01", "--data", tmp_path / "fresh")
    assert code == 0
    assert "cannot be told yet" in out
