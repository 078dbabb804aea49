"""Bodies, lenses, sets, the house's list, charts, optics, plans and settings on the pages."""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from api_house import WHO, Door
from pages_house import PageSeen, opened_pages, see


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with opened_pages(tmp_path / "record", is_furnished=True) as opened:
        opened.client.follow_redirects = False
        yield opened


def test_a_body_is_added_shown_and_changed_and_what_no_form_shows_stays(door: Door) -> None:
    facts = {
        "name": "B-09",
        "mount": "PL",
        "tolerance_um": "8",
        "mechanism": "screw",
        "um_per_turn": "350",
        "away": "clockwise",
        "has_lock": "yes",
        "who": WHO,
    }
    made = door.client.post("/bodies", data=facts)
    assert made.status_code == 303
    address = made.headers["location"]
    text = " ".join(see(door, address).text.split())
    assert "±8 µm" in text
    assert "screw, 350 µm a turn, clockwise moves the sensor away, has a lock" in text
    changed = door.client.post(address, data={**facts, "serial": "0042"})
    assert changed.status_code == 303
    assert "0042" in see(door, address).text
    assert 'value="350"' in door.client.get(f"{address}/change").text


def test_a_name_that_is_taken_is_refused_and_the_form_stays_filled(door: Door) -> None:
    answer = door.client.post("/bodies", data={"name": "A-01", "mount": "PL", "note": "twin", "who": WHO})
    assert answer.status_code == 422
    assert "A-01" in answer.text
    assert ">twin</textarea>" in answer.text


def test_a_lens_needs_its_f_number_and_says_so_beside_it(door: Door) -> None:
    answer = door.client.post("/lenses", data={"name": "Z1", "focal_lengths_mm": "24 70", "who": WHO})
    assert answer.status_code == 422
    assert 'id="fnumber-wrong"' in answer.text
    made = door.client.post(
        "/lenses",
        data={"name": "Z1", "focal_lengths_mm": "24 70", "fnumber": "2,8", "near": "2' 6\"", "who": WHO},
    )
    text = " ".join(see(door, made.headers["location"]).text.split())
    assert "24 to 70 mm" in text
    assert "762" in text  # 2 ft 6 in is 762 mm exactly


def test_the_marks_of_a_lens_are_typed_shown_and_refused_beside_their_field(door: Door) -> None:
    facts = {"name": "K40", "focal_lengths_mm": "40", "fnumber": "2", "scale_unit": "ft", "who": WHO}
    for wrong, words in (("2', 4', 3'", "out of order"), ("2', x", "no length"), ("3'", "one mark")):
        refused = door.client.post("/lenses", data={**facts, "marks": wrong})
        assert refused.status_code == 422
        assert 'id="marks-wrong"' in refused.text
        assert words in refused.text
        assert wrong in unescape(refused.text)
    made = door.client.post("/lenses", data={**facts, "marks": "2', 3', 6', INF"})
    assert made.status_code == 303
    address = made.headers["location"]
    assert "2', 3', 6', INF" in see(door, address).text
    again = unescape(door.client.get(f"{address}/change").text)
    assert """value="2', 3', 6', INF\"""" in again


def test_a_prep_of_a_body_begins_with_the_lens_that_is_missing(tmp_path: Path) -> None:
    with opened_pages(tmp_path / "bare") as bare:
        bare.client.follow_redirects = False
        body = {"name": "B-01", "mount": "PL", "who": WHO, "then": "another"}
        assert "/bodies/new?body=" in bare.client.post("/bodies", data=body).headers["location"]
        assert "The house has a body and no lenses yet: add a lens to begin." in see(bare, "/").text
        unit = next(
            link for link in see(bare, "/bodies").links if re.fullmatch(r"/bodies/[0-9a-f]{32}", link)
        )
        start = next(link for link in see(bare, unit).links if link.startswith("/lenses/new?body="))
        form = see(bare, start)
        assert form.sentence == "1 body kept. Add a lens: it needs a name and its focal length."
        lens = {"name": "Z", "focal_lengths_mm": "24 70", "fnumber": "2.8", "who": WHO}
        body_id = start.rpartition("=")[2]
        again = bare.client.post("/lenses", data={**lens, "body": body_id, "then": "another"})
        assert re.search(rf"/lenses/new\?body={body_id}&lens=\w+&fnumber=2.8", again.headers["location"])
        lens_id = bare.get("/lenses")["lenses"][0]["id"]
        last = {**lens, "name": "Y", "body": body_id, "lens": lens_id, "then": "prep"}
        prep = bare.client.post("/lenses", data=last).headers["location"]
        assert [one["name"] for one in bare.get(prep)["lenses"]] == ["Z", "Y"]


def test_a_set_is_made_of_lenses_and_starts_a_prep(door: Door) -> None:
    made = door.client.post(
        "/sets", data={"name": "Duo", "lens_ids": [door.ids["H25"], door.ids["H50"]], "who": WHO}
    )
    page = see(door, made.headers["location"])
    assert page.sentence == "Set Duo holds 2 lenses; none has been judged yet."
    start = next(link for link in page.links if link.startswith("/?set="))
    assert re.search(r'name="set_id" value="[0-9a-f]{32}" checked', door.client.get(start).text)


def test_a_label_of_a_body_leads_to_the_form_with_that_body_chosen(door: Door) -> None:
    for address in (f"/label/body/{door.ids['A-01']}", "/label?text=A-01", "/label/a-01"):
        answer = door.client.get(address)
        assert answer.headers["location"] == f"/?body={door.ids['A-01']}#start-head"
    page = door.client.get(f"/?body={door.ids['A-01']}").text
    assert re.search(rf'value="{door.ids["A-01"]}" checked', page)


def test_a_label_that_is_not_known_says_so_and_keeps_the_text(door: Door) -> None:
    answer = door.client.get("/label", params={"text": "Q-99"})
    assert answer.status_code == 404
    assert 'value="Q-99"' in answer.text


def test_a_list_changes_nothing_before_it_was_seen(door: Door) -> None:
    data = b"kind,name,mount,focal_length_mm,f_number,set\nbody,C-01,PL,,,\nlens,N18,PL,18,2,North\n"
    shown = door.client.post("/house-list", files={"file": ("house.csv", data, "text/csv")})
    assert PageSeen(shown.text).sentence.replace("\u00a0", " ").startswith("house.csv would bring")
    assert "C-01" not in see(door, "/bodies").text
    content = re.search(r'name="content" value="([^"]+)"', shown.text)
    assert content is not None
    taken = door.client.post(
        "/house-list", data={"content": unescape(content[1]), "name": "house.csv", "take": "yes", "who": WHO}
    )
    assert "is taken in" in PageSeen(taken.text).sentence
    assert "C-01" in see(door, "/bodies").text
    assert "North" in see(door, "/sets").text


def test_a_list_with_a_wrong_line_is_refused_with_the_place(door: Door) -> None:
    data = b"kind,name,mount,focal_length_mm,f_number\nlens,N18,PL,eighteen,2\n"
    answer = door.client.post("/house-list", files={"file": ("house.csv", data, "text/csv")})
    assert answer.status_code == 422
    assert "eighteen" in answer.text
    none = door.client.post("/house-list", data={})
    assert "Choose the CSV file" in none.text


def test_the_list_goes_out_in_the_form_in_which_it_comes_in(door: Door) -> None:
    data = door.client.get("/house-list.csv").content
    again = door.client.post("/house-list", files={"file": ("out.csv", data, "text/csv")})
    assert PageSeen(again.text).sentence == "out.csv would bring nothing new."


def test_settings_are_kept_and_rule_the_pages(door: Door) -> None:
    new = {
        "units": "m",
        "theme": "light",
        "tolerance_um": "8",
        "coc_um": "18",
        "tolerance_by_mount": "PL: 6",
        "shim_stock_um": "10 20 50",
        "who": WHO,
    }
    assert door.client.post("/settings", data=new).status_code == 303
    page = see(door, "/settings")
    assert page.sentence == ("Lengths in metric, tolerance ±8 µm, circle of confusion 18 µm, light theme.")
    assert 'data-theme="light"' in door.client.get("/").text
    assert "±6 µm" in " ".join(see(door, f"/bodies/{door.ids['A-01']}").text.split())


@pytest.mark.parametrize(
    ("field", "typed"), [("tolerance_um", "wide"), ("tolerance_um", ""), ("tolerance_by_mount", "PL 8")]
)
def test_a_setting_that_cannot_be_is_refused_beside_its_field(door: Door, field: str, typed: str) -> None:
    new = {"units": "ft", "theme": "dark", "tolerance_um": "10", "coc_um": "20", "who": WHO, field: typed}
    answer = door.client.post("/settings", data=new)
    assert answer.status_code == 422
    assert f'id="{field}-wrong"' in answer.text


def test_the_theme_is_chosen_for_one_device_and_leads_back_only_to_our_own_pages(door: Door) -> None:
    answer = door.client.post("/theme", data={"theme": "light", "back": "/bodies"})
    assert answer.headers["location"] == "/bodies"
    assert 'data-theme="light"' in door.client.get("/bodies").text
    for foreign in ("https://example.invalid/", "//example.invalid/", "/\\example.invalid"):
        answer = door.client.post("/theme", data={"theme": "dark", "back": foreign})
        assert answer.headers["location"] == "/"


def test_a_chart_comes_as_pdf_and_its_layout_beside_it(door: Door) -> None:
    page = see(door, "/charts?make=yes&paper=A4&stars=5&kind=binary")
    assert "The chart is ready: A4" in page.sentence
    link = next(link for link in page.links if link.startswith("/charts/chart.pdf"))
    pdf = door.client.get(link)
    assert pdf.content.startswith(b"%PDF-")
    layout = door.client.get(link.replace("chart.pdf", "chart.json")).json()
    assert len(layout["stars"]) == 5


def test_a_chart_that_cannot_be_made_says_why(door: Door) -> None:
    answer = door.client.get("/charts", params={"make": "yes", "paper": "A3", "auto": "yes"})
    assert answer.status_code == 422
    assert "missing" in answer.text


def test_depth_of_field_agrees_with_the_closed_form_of_the_hyperfocal_distance(door: Door) -> None:
    # H = f²/(N·c) + f: 50²/(2·0.025) + 50 = 50 050 mm (any textbook of photography)
    page = see(door, "/optics?topic=depth&ask=yes&focal_mm=50&fnumber=2&coc_um=25&distance=50.05 m")
    assert "infinity" in page.sentence
    settings = {"units": "m", "theme": "dark", "tolerance_um": "10", "coc_um": "20", "who": WHO}
    door.client.post("/settings", data=settings)
    page = see(door, "/optics?topic=depth&ask=yes&focal_mm=50&fnumber=2&coc_um=25&distance=2 m")
    assert "50.050 m" in page.text


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("topic=landing&ask=yes&focal_mm=fifty&distance=3'&reading=3'", "focal_mm"),
        ("topic=landing&ask=yes&focal_mm=50&distance=3&reading=3'", "distance"),
        ("topic=plate&ask=yes&thickness_mm=&index=1.5", "thickness_mm"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused_beside_its_field(
    door: Door, query: str, field: str
) -> None:
    answer = door.client.get(f"/optics?{query}")
    assert answer.status_code == 422
    assert f'id="{field}-wrong"' in answer.text


def test_a_plan_says_what_to_tape_or_why_it_cannot(door: Door) -> None:
    ids = door.ids
    page = see(door, f"/plan?make=yes&body_ids={ids['A-01']}&set_id={ids['Set H']}&target_um=25")
    assert "A-01" in page.sentence
    assert any("at 3'" in words or "What to tape" in words for _, words in page.headings)
    by_picture = see(
        door, f"/plan?make=yes&body_ids={ids['A-01']}&set_id={ids['Set H']}&target_um=25&by=picture"
    )
    assert "What to tape and measure by picture" in by_picture.text
    refused = door.client.get(f"/plan?make=yes&set_id={ids['Set H']}")
    assert refused.status_code == 422
    assert 'id="body_ids-wrong"' in refused.text


RATES = {"body_month_um": "0.5", "body_job_um": "1", "lens_month_um": "1,5", "lens_job_um": "0"}


def test_how_fast_units_wander_is_changed_with_its_reason(door: Door) -> None:
    assert "How units wander" in see(door, "/settings").text
    assert 'value="1.5"' in door.client.get("/settings/wear").text
    told = {**RATES, "reason": "drift charts", "who": WHO}
    assert door.client.post("/settings/wear", data=told).status_code == 303
    text = door.client.get("/settings/wear").text
    assert 'value="0.5"' in text
    assert "drift charts" in text
    assert door.get("/settings/wear")["lens_month_um"] == 1.5


def test_rates_that_cannot_be_are_refused_each_beside_its_field_and_kept_as_typed(door: Door) -> None:
    wrong = {**RATES, "body_month_um": "fast", "lens_job_um": "", "reason": "a test", "who": WHO}
    answer = door.client.post("/settings/wear", data=wrong)
    assert answer.status_code == 422
    assert 'id="body_month_um-wrong"' in answer.text
    assert 'id="lens_job_um-wrong"' in answer.text
    assert 'value="fast"' in answer.text
    beyond = door.client.post(
        "/settings/wear", data={**RATES, "body_job_um": "500", "reason": "", "who": WHO}
    )
    assert beyond.status_code == 422
    assert door.get("/settings/wear")["body_month_um"] == 1.5
