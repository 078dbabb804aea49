"""The words and figures that templates write."""

import math
from datetime import UTC, datetime, timedelta

import pytest
from jinja2 import UndefinedError
from starlette.requests import Request

from shimwise.web.pages import view
from shimwise.web.pages.view import THEMES, environment, person_of, theme_of


def request(cookie: str = "") -> Request:
    headers = [(b"cookie", cookie.encode("latin-1"))] if cookie else []
    return Request({"type": "http", "method": "GET", "path": "/", "headers": headers, "query_string": b""})


@pytest.mark.parametrize(
    ("value", "words"),
    [(-14.4, "−14"), (2.0, "+2"), (0.3, "0"), (-0.4, "0"), (1234.0, "+1,234"), (None, "–")],
)
def test_a_number_carries_its_sign_and_nought_has_none(value: float | None, words: str) -> None:
    assert view.signed(value) == words


@pytest.mark.parametrize(
    ("um", "way"), [(-3.0, "short"), (3.0, "deep"), (0.2, "on"), (math.nan, ""), (None, "")]
)
def test_short_is_below_nought_and_deep_above(um: float | None, way: str) -> None:
    assert view.way(um) == way


def test_a_probability_is_never_told_as_certain() -> None:
    assert view.chance(0.9999) == "> 99 %"
    assert view.chance(0.0001) == "< 1 %"
    assert view.chance(0.5) == "50 %"


def test_a_sentence_keeps_numbers_with_their_units_and_escapes_what_it_holds() -> None:
    html = str(view.typeset("<b>A</b> lands short by 25 µm, give or take 5, within ±10 µm (P > 99 %)."))
    assert "&lt;b&gt;A&lt;/b&gt;" in html
    assert "<b>25\u00a0µm</b>" in html
    assert "take\u00a05" in html
    assert "<b>±10\u00a0µm</b>" in html
    assert "P\u00a0&gt;\u00a099\u00a0%" in html


def test_the_first_sentence_stands_alone() -> None:
    first, rest = view.sentences("Body 07 lands short by 1.5 µm. Lens 35 lands deep. Re-tape.")
    assert first == "Body 07 lands short by 1.5 µm."
    assert rest == "Lens 35 lands deep. Re-tape."
    assert view.sentences("Nothing is out") == ("Nothing is out", "")


def test_a_day_is_today_or_named() -> None:
    now = datetime.now(UTC)
    assert view.when(now).startswith("today ")
    assert str((now - timedelta(days=400)).astimezone().year) in view.when(now - timedelta(days=400))
    assert view.when(None) == ""


def test_a_name_with_its_kind_in_it_is_not_told_twice() -> None:
    assert view.titled("body", "A-07") == "Body A-07"
    assert view.titled("body", "Body 7") == "Body 7"
    assert view.titled("setup", "A-07 at 3'") == "Set-up A-07 at 3'"


def test_a_template_that_names_what_is_not_there_is_a_fault() -> None:
    with pytest.raises(UndefinedError, match="is undefined"):
        environment().from_string("{{ nothing_of_this_name }}").render()


def test_what_people_typed_is_escaped() -> None:
    assert environment().from_string("{{ name }}").render(name="<script>") == "&lt;script&gt;"


def test_the_theme_of_the_device_goes_before_that_of_the_house() -> None:
    assert theme_of(request(), "light") == "light"
    assert theme_of(request("shimwise_theme=dark"), "light") == "dark"
    assert theme_of(request("shimwise_theme=neon"), "light") == "light"
    assert theme_of(request(), "neon") in THEMES


def test_a_name_in_a_cookie_is_read_back_without_what_could_do_harm() -> None:
    assert person_of(request("shimwise_person=Zo%C3%AB%20K%0D%0A")) == "Zoë K"
    assert person_of(request()) == ""


def test_a_units_name_is_not_broken_at_its_hyphen() -> None:
    assert '<span class="nowrap">A-12</span> at' in str(view.typeset("Tape A-12 at 6 ft again."))


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        *(("3 foot", "3'"), ("3 ft 6 in", "3' 6\""), ("2-11½", "2' 11 1/2\""), ("6'", "6'")),
        *(("1830 mm", "1.83 m"), ("91.4 cm", "914 mm"), ("1 m", "1 m"), ("infinity", "INF")),
        *(("3.1 ft", "3.1 ft"), ("by the wall", "by the wall")),
    ],
)
def test_taped_distances_are_shown_in_one_form_where_it_is_exact(typed: str, shown: str) -> None:
    assert view.taped(typed) == shown
