"""Readings on a prep's page: the next one chosen, a slip asked about; taken back, corrected, noted."""

import re
import uuid
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_bench import SCRIPT, furnished
from pages_house import PageSeen

from shimwise.bench.house.units import add_unit
from shimwise.bench.house.views import LensFacts
from shimwise.bench.sweep.evidence import SweepRequest


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with furnished(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def prep_id(door: Door) -> str:
    return str(door.start()["id"])


def sent(door: Door, prep_id: str, text: str, status: int = 200, **more: str) -> str:
    """Send the pad's form by its script."""
    fields = {
        "id": uuid.uuid4().hex,
        "body_id": door.ids["A-01"],
        "lens_id": door.ids["H25"],
        "distance_text": "3'",
        "reading_text": text,
        "operator": WHO,
    }
    answer = door.client.post(f"/preps/{prep_id}/readings", data={**fields, **more}, headers=SCRIPT)
    assert answer.status_code == status, answer.text[:600]
    return unescape(answer.text)


def chosen(html: str, name: str) -> str:
    """Return the value of the radio that is checked."""
    found = re.search(rf'name="{name}" value="([^"]*)"[^>]* checked', html)
    return found[1] if found else ""


def kept(door: Door, prep_id: str) -> list[dict[str, object]]:
    return sorted(door.get(f"/preps/{prep_id}")["readings"], key=lambda one: one["number"])


def test_after_save_the_next_lens_not_read_at_this_set_up_is_chosen(door: Door, prep_id: str) -> None:
    assert chosen(sent(door, prep_id, "on"), "lens_id") == door.ids["H35"]
    assert chosen(sent(door, prep_id, "on", lens_id=door.ids["H50"]), "lens_id") == door.ids["H35"]
    html = sent(door, prep_id, "on", lens_id=door.ids["H35"])
    assert chosen(html, "lens_id") == door.ids["H35"], "all are read here: it stays"
    assert chosen(sent(door, prep_id, "on", distance_text="6'"), "lens_id") == door.ids["H35"]


def test_each_focal_length_of_a_zoom_is_read_by_itself(door: Door) -> None:
    facts = LensFacts(name="Z", focal_lengths_mm=(24.0, 80.0), fnumber=2.8)
    zoom = add_unit(door.record, facts=facts, who=WHO).id
    prep_id = str(door.start(set_id=None, lens_ids=[zoom, door.ids["H50"]])["id"])
    html = sent(door, prep_id, "on", lens_id=zoom, focal_mm="24")
    assert chosen(html, "lens_id") == zoom
    assert re.search(r'name="focal_mm"[^>]* value="80"', html)
    html = sent(door, prep_id, "on", lens_id=zoom, focal_mm="80")
    assert chosen(html, "lens_id") == door.ids["H50"]
    listed = PageSeen(door.client.get(f"/preps/{prep_id}/readings", headers=SCRIPT).text).text
    assert "Z 24 mm" in listed
    assert "Z 80 mm" in listed
    picture = PageSeen(door.client.get(f"/preps/{prep_id}/rail", headers=SCRIPT).text).text
    assert "Z at 24 mm" in picture
    assert "Z at 80 mm" in picture


def test_a_sweep_of_a_zoom_is_sent_with_what_it_was_set_to(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    facts = LensFacts(name="Z", focal_lengths_mm=(24.0, 80.0), fnumber=2.8)
    zoom = add_unit(door.record, facts=facts, who=WHO).id
    prep_id = str(door.start(set_id=None, lens_ids=[zoom])["id"])
    sent(door, prep_id, "on", lens_id=zoom, focal_mm="24")
    (setup,) = door.get(f"/preps/{prep_id}")["setups"]
    begun: list[SweepRequest] = []
    jobs = door.client.app.state.sweeps  # type: ignore[attr-defined]
    monkeypatch.setattr(jobs, "begin", lambda *_, facts, **__: begun.append(facts))
    assert 'id="sweep-focal_mm"' in door.client.get(f"/preps/{prep_id}/sweeps", headers=SCRIPT).text
    form = {"who": WHO, "setup_id": setup["id"], "lens_id": zoom, "focal_mm": "80"}
    files = [("files", ("sweep.json", b"{}", "application/json"))]
    answer = door.client.post(f"/preps/{prep_id}/sweeps", data=form, files=files, headers=SCRIPT)
    assert answer.status_code == 200, answer.text
    assert [one.focal_mm for one in begun] == [80.0]


def test_a_landing_beyond_bodies_and_lenses_is_asked_about_once(door: Door, prep_id: str) -> None:
    html = sent(door, prep_id, "30'", 422)
    assert re.search(
        r"Farther than body and lens go together, about \d+ µm here: is the figure right\?", html
    )
    assert "Save it all the same" in html
    assert kept(door, prep_id) == []
    sure = re.search(r'name="sure" value="([^"]*)"', html)
    assert sure is not None
    sent(door, prep_id, "25'", 422, sure=sure[1])  # a yes to another figure is none to this one
    sent(door, prep_id, "30'", sure=sure[1])
    assert [one["reading_text"] for one in kept(door, prep_id)] == ["30'"]
    sent(door, prep_id, "30'")  # a second reading that says the same is no slip
    assert len(kept(door, prep_id)) == 2


@pytest.mark.parametrize("text", ["2' 11\"", "3' 1 1/2\""])
def test_what_bodies_and_lenses_do_is_not_asked_about(door: Door, prep_id: str, text: str) -> None:
    sent(door, prep_id, text)


def test_another_stop_than_the_kits_is_said_before_and_after_save(door: Door, prep_id: str) -> None:
    typed = {"body_id": door.ids["A-01"], "lens_id": door.ids["H25"], "distance_text": "3'"}
    query = {**typed, "reading_text": "on", "fnumber": "8"}
    html = door.client.get(f"/preps/{prep_id}/preview", params=query, headers=SCRIPT).text
    assert "Read at f/8; this lens is known as f/2." in html
    assert "read at f/8, known as f/2" in sent(door, prep_id, "on", fnumber="8")
    assert "Read at" not in sent(door, prep_id, "on", fnumber="2")


def test_undo_withdraws_what_was_saved_and_puts_it_back_on_the_pad(door: Door, prep_id: str) -> None:
    html = sent(door, prep_id, "2' 11\"")
    undo = re.search(r'hx-post="([^"]*/undo)"', html)
    assert undo is not None
    html = unescape(door.client.post(undo[1], data={"operator": WHO}, headers=SCRIPT).text)
    assert 'value="2\' 11""' in html
    assert chosen(html, "lens_id") == door.ids["H25"]
    (one,) = kept(door, prep_id)
    assert one["withdrawn_reason"] == "taken back at once"


def test_correct_withdraws_and_enters_again_in_one_act(door: Door, prep_id: str) -> None:
    sent(door, prep_id, "2' 11\"")
    first = kept(door, prep_id)[0]
    html = unescape(door.client.get(f"/preps/{prep_id}/readings/{first['id']}/correct", headers=SCRIPT).text)
    assert "Correcting reading 1" in html
    assert 'value="mistyped"' in html
    sent(door, prep_id, "3' 1\"", corrects=str(first["id"]), reason="mistyped")
    before, after = kept(door, prep_id)
    assert (before["is_withdrawn"], before["withdrawn_reason"]) == (True, "mistyped")
    assert (after["is_withdrawn"], after["reading_text"]) == (False, "3' 1\"")


def test_a_correction_that_is_refused_leaves_the_first_one_in(door: Door, prep_id: str) -> None:
    sent(door, prep_id, "on")
    first = kept(door, prep_id)[0]
    sent(door, prep_id, "2' 14\"", 422, corrects=str(first["id"]))
    assert [one["is_withdrawn"] for one in kept(door, prep_id)] == [False]


def test_a_note_is_added_later_and_taken_away(door: Door, prep_id: str) -> None:
    sent(door, prep_id, "on")
    at = f"/preps/{prep_id}/readings"
    one = str(kept(door, prep_id)[0]["id"])
    assert f'action="{at}/{one}/note"' in door.client.get(at, params={"note": one}, headers=SCRIPT).text
    noted = door.client.post(f"{at}/{one}/note", data={"note": "lamp moved", "who": WHO}, headers=SCRIPT)
    assert "“lamp moved”" in noted.text
    door.client.post(f"{at}/{one}/note", data={"note": "", "who": WHO}, headers=SCRIPT)
    assert kept(door, prep_id)[0]["note"] == ""
