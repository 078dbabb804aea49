"""A prep on the pages: started, read, refused, withdrawn, closed; with a script and without."""

import json
import math
import re
import uuid
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from api_house import WHO, Door
from pages_house import PageSeen, opened_pages, see

from shimwise.bench.sweep.evidence import SweepRequest
from shimwise.bench.sweep.frame_files import sweep_settings
from shimwise.record.errors import RecordBusy

SCRIPT = {"HX-Request": "true"}


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_pages(tmp_path / "record", is_furnished=True) as opened:
        opened.client.follow_redirects = False
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    answer = door.client.post(
        "/preps", data={"body_ids": door.ids["A-01"], "set_id": door.ids["Set H"], "who": WHO}
    )
    assert answer.status_code == 303
    return answer.headers["location"].removeprefix("/preps/")


class Asked:
    """The sweeps of the pages; keeps what each was stated to be."""

    def __init__(self, sweeps: Any) -> None:  # noqa: ANN401
        self.sweeps, self.facts = sweeps, list[SweepRequest]()

    def begin(self, prep_id: str, **sent: Any) -> object:  # noqa: ANN401
        self.facts.append(sent["facts"])
        return self.sweeps.begin(prep_id, **sent)

    def jobs(self, prep_id: str) -> object:
        return self.sweeps.jobs(prep_id)


def typed(door: Door, text: str, **more: str) -> dict[str, str]:
    fields = {
        "id": uuid.uuid4().hex,
        "body_id": door.ids["A-01"],
        "lens_id": door.ids["H50"],
        "setup_id": "",
        "distance_text": "3'",
        "reading_text": text,
        "operator": WHO,
    }
    return {**fields, **more}


def save(door: Door, prep_id: str, text: str, status: int = 200, **more: str) -> str:
    answer = door.client.post(f"/preps/{prep_id}/readings", data=typed(door, text, **more), headers=SCRIPT)
    assert answer.status_code == status, answer.text[:400]
    return answer.text


def landing_by_newton_um(focal_mm: float, distance_mm: float, reading_mm: float) -> float:
    """Independent route: Newton's x·x' = f², distances from the foci; short is negative."""

    def extension_mm(object_mm: float) -> float:
        gap = object_mm - 2 * focal_mm
        return (gap - math.sqrt(gap**2 - 4 * focal_mm**2)) / 2

    return 1e3 * (extension_mm(distance_mm) - extension_mm(reading_mm))


def shown_um(html: str) -> float:
    found = re.search(r"([−+]?\d+)(?: ± \d+)? µm", unescape(html).replace("\u00a0", " "))
    assert found is not None, html
    return float(found[1].replace("−", "-"))


def test_a_prep_is_started_from_a_body_and_a_set_and_the_name_is_kept_on_the_device(
    door: Door, prep_id: str
) -> None:
    page = see(door, f"/preps/{prep_id}")
    assert page.sentence.startswith("Nothing is read yet: tape the chart at 3 ft, focus the H25")
    assert door.client.cookies["shimwise_person"] == "N.%20Tester"


def test_a_prep_without_a_body_is_refused_beside_the_bodies_and_the_rest_is_kept(door: Door) -> None:
    answer = door.client.post("/preps", data={"set_id": door.ids["Set H"], "title": "Tuesday", "who": WHO})
    assert answer.status_code == 422
    assert 'id="body_ids-wrong"' in answer.text
    assert 'value="Tuesday"' in answer.text
    assert re.search(rf'value="{door.ids["Set H"]}" checked', answer.text)


def test_a_prep_without_a_lens_is_refused_beside_the_sets(door: Door) -> None:
    sent = {"body_ids": door.ids["A-01"], "who": WHO}
    empty = door.post("/sets", 201, name="Set E", lens_ids=[], who=WHO)["id"]
    for chosen, words in (({}, "is missing"), ({"set_id": empty}, "has no lens yet")):
        refused = door.client.post("/preps", data={**sent, **chosen})
        assert (refused.status_code, 'id="set_id-wrong"' in refused.text) == (422, True)
        assert words in refused.text


def test_the_landing_shows_while_typing_and_agrees_with_newtons_form(door: Door, prep_id: str) -> None:
    query = typed(door, "2' 11 1/2\"")
    answer = door.client.get(f"/preps/{prep_id}/preview", params=query, headers=SCRIPT)
    expected = landing_by_newton_um(50, 914.4, 901.7)
    assert shown_um(answer.text) == pytest.approx(expected, abs=0.5)
    assert "short at the sensor" in answer.text
    assert see(door, f"/preps/{prep_id}").text.count("Saved") == 0


def test_how_far_short_is_shown_as_the_full_reading(door: Door, prep_id: str) -> None:
    answer = door.client.get(f"/preps/{prep_id}/preview", params=typed(door, 'short by 1/2"'), headers=SCRIPT)
    assert "2' 11 1/2\" on the scale" in unescape(answer.text)


def test_a_saved_reading_is_answered_with_its_landing_and_a_form_for_the_next(
    door: Door, prep_id: str
) -> None:
    answer = door.client.post(f"/preps/{prep_id}/readings", data=typed(door, "3' 1/2\""), headers=SCRIPT)
    assert shown_um(answer.text) == pytest.approx(landing_by_newton_um(50, 914.4, 927.1), abs=0.5)
    assert json.loads(answer.headers["HX-Trigger"]) == {"shimwise:changed": {}}
    assert re.search(r'name="reading_text" value=""', answer.text)
    # The last lens of the set was read; at this set-up the first one comes next.
    assert re.search(rf'value="{door.ids["H25"]}"[^>]* checked', answer.text)
    listed = see(door, f"/preps/{prep_id}/readings")
    assert listed.headings[0][1].replace("\u00a0", " ") == "1 reading"


def test_the_same_reading_sent_twice_is_kept_once(door: Door, prep_id: str) -> None:
    reading = typed(door, "on")
    for _ in range(2):
        answer = door.client.post(f"/preps/{prep_id}/readings", data=reading, headers=SCRIPT)
        assert answer.status_code == 200
    assert "Already saved" in answer.text
    assert len(door.get(f"/preps/{prep_id}")["readings"]) == 1


def test_a_slip_is_refused_beside_the_field_and_what_was_typed_stays(door: Door, prep_id: str) -> None:
    html = save(door, prep_id, "2' 14\"", 422, note="warm")
    page = PageSeen(html)
    assert "carry it over" in page.text
    assert 'value="2&#39; 14&#34;"' in html
    assert 'value="warm"' in html
    assert 'aria-invalid="true"' in html
    assert door.get(f"/preps/{prep_id}")["readings"] == []


def test_a_number_that_is_none_is_refused_beside_its_own_field(door: Door, prep_id: str) -> None:
    html = save(door, prep_id, "on", 422, fnumber="wide")
    assert 'id="fnumber-wrong"' in html
    assert "“wide” is no number" in unescape(html)


def test_what_a_person_typed_cannot_become_markup(door: Door, prep_id: str) -> None:
    save(door, prep_id, "on", note="<img src=x onerror=alert(1)>")
    html = door.client.get(f"/preps/{prep_id}").text
    assert "<img src=x" not in html
    assert "&lt;img src=x" in html


def test_a_reading_is_withdrawn_with_a_reason_and_taken_back_in(door: Door, prep_id: str) -> None:
    save(door, prep_id, "on")
    reading_id = door.get(f"/preps/{prep_id}")["readings"][0]["id"]
    address = f"/preps/{prep_id}/readings/{reading_id}"
    asked = door.client.get(f"/preps/{prep_id}/readings", params={"withdraw": reading_id}, headers=SCRIPT)
    assert f'action="{address}/withdraw"' in asked.text
    refused = door.client.post(f"{address}/withdraw", data={"reason": " "}, headers=SCRIPT)
    assert refused.status_code == 422
    assert 'aria-invalid="true"' in refused.text
    done = door.client.post(f"{address}/withdraw", data={"reason": "wrong mark"}, headers=SCRIPT)
    assert "withdrawn: wrong mark" in " ".join(done.text.split())
    assert door.get(f"/preps/{prep_id}")["readings"][0]["is_withdrawn"]
    door.client.post(f"{address}/restore", headers=SCRIPT)
    assert not door.get(f"/preps/{prep_id}")["readings"][0]["is_withdrawn"]


def test_without_a_script_every_step_leads_back_to_the_page(door: Door, prep_id: str) -> None:
    saved = door.client.post(f"/preps/{prep_id}/readings", data=typed(door, "on"))
    assert (saved.status_code, saved.headers["location"]) == (303, f"/preps/{prep_id}#read")
    gauge = {"unit": f"body:{door.ids['A-01']}", "value_um": "-12", "sd_um": "3"}
    kept = door.client.post(f"/preps/{prep_id}/gauges", data=gauge)
    assert (kept.status_code, kept.headers["location"]) == (303, f"/preps/{prep_id}#gauges")
    assert "−12 ± " in see(door, f"/preps/{prep_id}").text
    refused = door.client.post(f"/preps/{prep_id}/readings", data=typed(door, "2x"))
    assert refused.status_code == 422
    assert PageSeen(refused.text).sentence


def test_the_verdict_is_given_where_no_judge_runs_and_its_parts_come_with_it(
    door: Door, prep_id: str
) -> None:
    for lens in ("H25", "H35", "H50"):
        for text in ("on", "on"):
            save(door, prep_id, text, lens_id=door.ids[lens])
    html = door.client.get(f"/preps/{prep_id}/verdict", headers=SCRIPT).text
    page = PageSeen(html)
    assert page.headings[0][1]
    assert {"units", "advice", "next"} <= set(page.ids)
    assert "hx-trigger" not in html.split('id="units"')[0]  # nothing is left to wait for


def test_a_gauge_value_that_is_no_number_keeps_the_form_as_it_was(door: Door, prep_id: str) -> None:
    gauge = {"unit": f"body:{door.ids['A-01']}", "value_um": "much", "sd_um": "3", "instrument": "gauge 2"}
    answer = door.client.post(f"/preps/{prep_id}/gauges", data=gauge, headers=SCRIPT)
    assert answer.status_code == 422
    assert "“much” is no number" in unescape(answer.text)
    assert 'value="gauge 2"' in answer.text


def test_a_closed_prep_takes_no_readings_until_it_is_opened_again(door: Door, prep_id: str) -> None:
    door.client.post(f"/preps/{prep_id}/close", data={"who": WHO})
    assert "it takes no readings" in see(door, f"/preps/{prep_id}").text
    html = save(door, prep_id, "on", 409)
    assert "takes no readings" in html
    door.client.post(f"/preps/{prep_id}/reopen", data={"who": WHO})
    save(door, prep_id, "on")


def test_all_that_a_prep_holds_can_be_taken_away_as_files(door: Door, prep_id: str) -> None:
    save(door, prep_id, "2' 11 1/2\"")
    door.client.get(f"/preps/{prep_id}/verdict", headers=SCRIPT)
    rows = door.client.get(f"/preps/{prep_id}/readings.csv").text.splitlines()
    assert rows[0].startswith("body,lens,focal_length_mm")
    assert len(rows) == 2
    assert door.client.get(f"/preps/{prep_id}/prep.json").json()["schema"] == "shimwise.prep/1"
    assert door.client.get(f"/preps/{prep_id}/verdict.json").json()["schema"] == "shimwise.verdict/2"
    svg = door.client.get(f"/preps/{prep_id}/landings.svg")
    assert svg.headers["content-type"] == "image/svg+xml"
    assert svg.text.startswith("<svg")


def test_a_reading_that_the_record_cannot_take_now_is_told_as_away_and_stays_typed(
    door: Door, prep_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(*_: object, **__: object) -> None:
        raise RecordBusy("is held by another program.", where="here")

    monkeypatch.setattr("shimwise.bench.prep.readings.add_reading", busy)
    assert "2&#39; 11 1/2" in save(door, prep_id, "2' 11 1/2\"", 503)


def test_a_reading_of_a_prep_that_was_closed_meanwhile_is_a_conflict(door: Door, prep_id: str) -> None:
    door.client.post(f"/preps/{prep_id}/close", data={"who": WHO})
    save(door, prep_id, "2' 11 1/2\"", 409)


def test_a_reading_is_withdrawn_on_the_page_of_its_own_prep_alone(door: Door, prep_id: str) -> None:
    reading_id = door.read(prep_id, "3'")["reading"]["id"]
    other = door.start()["id"]
    answer = door.client.post(
        f"/preps/{other}/readings/{reading_id}/withdraw", data={"reason": "slipped", "who": WHO}
    )
    assert answer.status_code == 422
    (reading,) = door.get(f"/preps/{prep_id}")["readings"]
    assert reading["withdrawn_reason"] == ""


def test_a_sweep_sent_twice_under_the_forms_id_is_one(door: Door, prep_id: str) -> None:
    door.read(prep_id, "3'")
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    form = {"who": WHO, "id": uuid.uuid4().hex, "setup_id": setup["id"], "lens_id": door.ids["H50"]}
    files = [("files", (name, b"{}", "application/octet-stream")) for name in ("sweep.json", "a.png")]
    for _ in range(2):
        answer = door.client.post(
            f"/preps/{prep_id}/sweeps", data=form, files=files, headers={"HX-Request": "true"}
        )
        assert answer.status_code == 200, answer.text
        assert "data-new-id" in answer.text
    jobs = door.client.app.state.sweeps  # type: ignore[attr-defined]
    assert [job.id for job in jobs.jobs(prep_id)] == [form["id"]]


def test_a_sweeps_description_is_made_on_the_page_from_what_moved(
    door: Door, prep_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    door.read(prep_id, "3'")
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    made: list[dict[str, Any]] = []
    monkeypatch.setattr(
        "shimwise.bench.sweep.jobs._refuse_without_settings", lambda place: made.append(sweep_settings(place))
    )
    form = {
        "who": WHO,
        "setup_id": setup["id"],
        "lens_id": door.ids["H50"],
        "moved": "sensor",
        "first": "−60",
        "step": "10",
    }
    files = [("files", (f"f{number}.png", b"", "image/png")) for number in (10, 9, 11)]
    path = f"/preps/{prep_id}/sweeps"
    wrong = door.client.post(path, data={**form, "step": "ten"}, files=files)
    assert (wrong.status_code, "is no number; write one as -60" in wrong.text, made) == (422, True, [])
    assert 'value="ten"' in wrong.text, "what was typed stays"
    assert door.client.post(path, data=form, files=files, headers={"HX-Request": "true"}).status_code == 200
    frames = [
        {"file": f"f{number}.png", "position_um": um} for number, um in ((9, -60), (10, -50), (11, -40))
    ]
    assert made == [{"frames": frames, "swept": "sensor"}]


@pytest.mark.parametrize(
    ("moved", "at", "said"),
    [
        ("sensor", "abc", "“abc” is no number; write one as -60 or 0.05."),
        ("sensor", "−60", ""),
        ("ring", "2' 11\"", ""),
        ("ring", "-3", "“-3” is no distance above 0."),
        ("screw", "36° clockwise", ""),
    ],
)
def test_a_position_is_refused_as_it_is_typed(
    door: Door, prep_id: str, moved: str, at: str, said: str
) -> None:
    answer = door.client.get(f"/preps/{prep_id}/sweeps/at", params={"moved": moved, "at": at})
    assert (answer.status_code, answer.text) == (200, said)


def test_a_set_up_that_was_taped_meanwhile_comes_with_the_verdict_into_the_forms(
    door: Door, prep_id: str
) -> None:
    page = door.client.get(f"/preps/{prep_id}").text
    assert page.count("Tape a set-up first") == 2
    door.read(prep_id, "3'")
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    parts = door.client.get(f"/preps/{prep_id}/verdict", headers=SCRIPT).text
    for name in ("sweep-setup", "picture-setup"):
        _, _, own = parts.partition(f'<select id="{name}" aria-label="Set-up" hx-swap-oob="innerHTML">')
        assert f'value="{setup["id"]}"' in own.partition("</select>")[0]


def test_positions_of_a_camera_and_the_star_it_saw_are_put_into_the_description(
    door: Door, prep_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    door.read(prep_id, "3'")
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    made: list[dict[str, Any]] = []
    monkeypatch.setattr(
        "shimwise.bench.sweep.jobs._refuse_without_settings", lambda place: made.append(sweep_settings(place))
    )
    asked = Asked(door.client.app.state.sweeps)  # type: ignore[attr-defined]
    monkeypatch.setattr(door.client.app.state, "sweeps", asked)  # type: ignore[attr-defined]
    form = {
        "who": WHO,
        "setup_id": setup["id"],
        "lens_id": door.ids["H50"],
        "moved": "ring",
        "at": ["2' 11\"", "914.4", ""],
        "star": "960.5;540;210.25;80",
        "fnumber": "2",
        "pitch_um": "6",
        "scale": "2.133",
        "signal_range": "limited",
        "transfer": "Rec.709",
    }
    files = [("files", (f"000{number}.png", b"", "image/png")) for number in (1, 2, 3)]
    path = f"/preps/{prep_id}/sweeps"
    wrong = door.client.post(path, data=form, files=files, headers=SCRIPT)
    assert (wrong.status_code, made) == (422, [])
    assert 'id="sweep-at-wrong"' in wrong.text
    few = door.client.post(path, data={**form, "at": ["900", "910"]}, files=files, headers=SCRIPT)
    assert "has 2 positions, and there are 3 pictures" in few.text
    star = door.client.post(path, data={**form, "star": "a;b;c;d"}, files=files, headers=SCRIPT)
    assert 'id="sweep-star-wrong"' in star.text
    form["at"] = ["2' 11\"", "914.4", "940"]
    assert door.client.post(path, data=form, files=files, headers=SCRIPT).status_code == 200
    [described] = made
    assert [one["ring"] for one in described["frames"]] == pytest.approx([889.0, 914.4, 940.0])
    assert described["star"] == [960.5, 540.0, 210.25, 80.0]
    facts = asked.facts[-1]
    assert (facts.fnumber, facts.pitch_um, facts.scale, facts.signal_range) == (2.0, 6.0, 2.133, "limited")
