"""A unit's drift from the record: which way, since when, what to do, and anew after an adjustment."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from shimwise.bench.errors import NotFound
from shimwise.bench.history.drift import unit_drift
from shimwise.bench.history.drift_views import DriftView
from shimwise.bench.sign import signing
from shimwise.sheets.words import drift_words
from signed_years import WHO, Years

STILL_UM = [0, 1, -1, 0, -0.5, 0.5]
DEEPER_UM = [0, 1, -1, 0, 3, 6, 9, 12]

pytestmark = pytest.mark.slow  # signs many preps


@pytest.fixture
def years(tmp_path: Path) -> Years:
    return Years.begun(tmp_path / "record")


@pytest.fixture
def deeper(tmp_path: Path) -> Years:
    return Years.signed(tmp_path / "deeper", DEEPER_UM)


def of_body(years: Years) -> DriftView:
    return unit_drift(years.record, "body", years.body_id)


def test_a_body_that_moves_deep_is_told_with_its_way_its_beginning_and_what_to_do(deeper: Years) -> None:
    found = of_body(deeper)
    assert found.state == "drifts_deep"
    # The first four gauges agree; the fourth was signed four months after the house began.
    assert found.since is not None
    assert found.since.date() == (deeper.clock.now - 4 * timedelta(days=30)).date()
    assert found.headline.startswith("Body A-01 drifts deep since the sign-off of 6 May 2025, by about +")
    assert found.rate_um == pytest.approx(3, abs=0.5)
    assert "sooner" in found.advice[0]
    assert "screws" in found.advice[1]
    assert "not why" in found.advice[-1]


def test_what_was_remembered_is_not_counted_again_with_every_prep(years: Years) -> None:
    # Each gauge speaks once: what is expected at last is near the plain mean of the gauges before.
    gauges_um = [0, 8, 0, 8, 0, 8, 0]
    years.sign_monthly(gauges_um)
    rows = of_body(years).rows
    assert rows[-1].expected_um == pytest.approx(sum(gauges_um[:-1]) / 6, abs=1.0)
    assert rows[-1].error_um == pytest.approx(rows[-1].expected_um or 0, abs=3.0)
    # Six gauges of 2 µm with a seat that gives 1 µm; the lens that was read tells a little more.
    assert rows[-1].expected_sd_um == pytest.approx((5 / 6) ** 0.5, abs=0.12)


def test_a_body_that_keeps_still_is_told_to_hold_and_a_knock_is_told_from_a_drift(years: Years) -> None:
    years.sign_monthly(STILL_UM)
    found = of_body(years)
    assert (found.state, found.advice, found.since) == ("steady", (), None)
    assert "holds: 6 sign-offs since" in found.headline.replace("\u00a0", " ")
    assert unit_drift(years.record, "lens", years.lens_id).state == "steady"
    years.sign_monthly([18])
    found = of_body(years)
    assert found.state == "drifts_deep"
    assert "moved deep between the sign-offs of" in found.headline
    assert "a knock" in found.headline


def test_two_sign_offs_are_too_few_for_a_chart(years: Years) -> None:
    assert of_body(years).state == "unsigned"
    years.sign_monthly([0, 30])
    found = of_body(years)
    assert (found.state, found.has_chart, len(found.rows)) == ("too_few", False, 2)
    assert "2 sign-offs can be compared, and it takes 3" in found.headline


def test_after_an_adjustment_the_charts_start_anew(deeper: Years) -> None:
    deeper.adjust()
    found = of_body(deeper)
    assert (found.state, found.sign_off_count) == ("too_few", 0)
    assert found.has_chart, "the past stays to be seen"
    deeper.sign_monthly([0, 0.5, -0.5])
    found = of_body(deeper)
    assert (found.state, found.sign_off_count) == ("steady", 3)
    assert "since it was adjusted" in found.headline
    assert [row.epoch for row in found.rows] == [0] * 8 + [1] * 3
    assert found.rows[8].words == "the reference"
    assert found.rows[9].expected_um == pytest.approx(found.rows[8].error_um)


def test_a_prep_that_was_opened_again_is_no_sign_off(years: Years) -> None:
    years.sign_monthly([0, 1, -1, 30])
    signing.reopen(years.record, years.prep_ids[-1], reason="the wrong gauge", who=WHO)
    found = of_body(years)
    assert (found.state, found.sign_off_count) == ("steady", 3)


@pytest.mark.parametrize("kind", ["body", "lens"])
def test_a_unit_that_is_not_known_is_refused(years: Years, kind: str) -> None:
    with pytest.raises(NotFound):
        unit_drift(years.record, kind, "0" * 32)


def test_a_unit_that_came_back_is_not_said_to_have_stayed_within() -> None:
    first = datetime(2026, 11, 30, 12, tzinfo=UTC)
    text = drift_words.holding("body", "A-01", count=6, first=first, is_adjusted=False, beyond=1)
    assert text.startswith("Body A-01 holds now: of 6 sign-offs since ")
    assert "1 was beyond the limits, and what came after is within." in text
