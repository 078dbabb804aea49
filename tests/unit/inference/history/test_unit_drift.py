"""Drift of a unit from its sign-offs: surprises, false alarms, and how soon a drift is seen."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import InferenceError
from shimwise.inference.history.unit_drift import (
    SEAT_SD_UM,
    SignedError,
    UnitDrift,
    chart,
    prep_only_estimate,
)

WANDER_UM = math.hypot(1.5, 2.0)
"""How far a unit may wander in a month and a job, as the memory takes it at first."""


def signed(days: float, error_um: float, sd_um: float) -> SignedError:
    """A sign-off of a unit of which next to nothing was known before."""
    alone = prep_only_estimate(before_um=0, before_sd_um=1e6, after_um=error_um, after_sd_um=sd_um)
    return SignedError(days=days, error_um=error_um, sd_um=sd_um, alone=alone)


def simulated(
    rng: np.random.Generator, *, count: int, drift_um: float = 0.0, is_wandering: bool = False
) -> UnitDrift:
    """A unit signed once a month, by preps that know it to 2 to 6 µm: its charts."""
    true_um, series = 0.0, []
    for month in range(count):
        if month:
            true_um += drift_um + is_wandering * rng.normal(0, WANDER_UM)
        sd_um = rng.uniform(2, 6)
        off_um = rng.normal(0, math.hypot(sd_um, SEAT_SD_UM))
        series.append(signed(30.0 * month, true_um + off_um, sd_um))
    return chart(series)


@given(st.floats(-30, 30), st.floats(1, 20), st.floats(-3, 3), st.floats(0.2, 5))
def test_what_a_prep_alone_said_makes_the_posterior_of_the_prior(
    before_um: float, before_sd_um: float, z: float, ratio: float
) -> None:
    # Forward by the product of two normals; back again by prep_only_estimate.
    told_sd_um = ratio * before_sd_um
    told_um = before_um + z * math.hypot(before_sd_um, told_sd_um)
    share = before_sd_um**2 / (before_sd_um**2 + told_sd_um**2)
    found = prep_only_estimate(
        before_um=before_um,
        before_sd_um=before_sd_um,
        after_um=before_um + share * (told_um - before_um),
        after_sd_um=math.sqrt(share) * told_sd_um,
    )
    assert found is not None
    assert found.error_um == pytest.approx(told_um, abs=1e-4)
    assert found.sd_um == pytest.approx(told_sd_um, rel=1e-6)


def test_a_prep_that_left_the_unit_no_better_known_said_nothing() -> None:
    assert prep_only_estimate(before_um=1, before_sd_um=3, after_um=1, after_sd_um=3) is None
    assert prep_only_estimate(before_um=1, before_sd_um=3, after_um=1.2, after_sd_um=4) is None


@pytest.mark.parametrize("after_sd_um", [2.9, 3.0, 5.0])
def test_a_knocked_unit_is_told_as_it_was_signed_though_the_prior_was_set_aside(after_sd_um: float) -> None:
    found = prep_only_estimate(before_um=0, before_sd_um=3, after_um=20, after_sd_um=after_sd_um)
    assert found is not None
    assert (found.error_um, found.sd_um) == (20, after_sd_um)


def test_a_surprise_is_counted_in_its_own_uncertainty() -> None:
    # Known to 3 µm, told to 4 µm and off by 10 µm; each seat gives 1 µm.
    found = chart([signed(0, 0, 3), signed(30, 10, 4)])
    (one,) = found.innovations
    assert one.z == pytest.approx(10 / math.sqrt(9 + 1 + 16 + 1))
    assert one.expected_sd_um == pytest.approx(math.sqrt(10))
    assert found.drift is None, "two sign-offs are no chart"


@pytest.mark.slow
def test_surprises_of_a_still_unit_are_independent_with_sd_one() -> None:
    rng = np.random.default_rng(11)
    z = np.array([[one.z for one in simulated(rng, count=13).innovations] for _ in range(3000)])
    # 3000 by 12 values: sampling sd of each sd 1.3 %, of each correlation 0.018
    assert z.std(axis=0) == pytest.approx(np.ones(12), abs=0.05)
    away = np.corrcoef(z.T) - np.eye(12)
    assert np.abs(away).max() < 0.075


@pytest.mark.slow
def test_a_unit_that_keeps_still_raises_no_more_alarms_than_stated() -> None:
    rng = np.random.default_rng(21)
    found = [simulated(rng, count=21) for _ in range(2000)]
    alarmed = [one.drift is not None and one.drift.is_drifting for one in found]
    assert np.mean(alarmed) <= 0.06  # stated: 1 in 20 within 20 sign-offs; sampling sd 0.5 %
    # At any one look fewer stand beyond, and these alone are told to drift.
    assert np.mean([one.sense != 0 for one in found]) < 0.015


@pytest.mark.slow
def test_a_unit_that_wanders_as_far_as_the_memory_allows_is_shown_as_stated() -> None:
    rng = np.random.default_rng(22)
    found = [simulated(rng, count=21, is_wandering=True) for _ in range(600)]
    alarmed = [one.drift is not None and one.drift.is_drifting for one in found]
    assert np.mean(alarmed) == pytest.approx(0.8, abs=0.06)


@pytest.mark.slow
@pytest.mark.parametrize("drift_um", [3.0, -3.0])
def test_a_drift_of_3_um_a_month_is_seen_in_time(drift_um: float) -> None:
    rng = np.random.default_rng(31)
    found = [simulated(rng, count=41, drift_um=drift_um) for _ in range(400)]
    alarms = [one.drift.first_alarm for one in found if one.drift is not None]
    first = np.array([99 if one is None else one + 1 for one in alarms])
    assert np.median(first) <= 5  # as the page states
    assert np.quantile(first, 0.9) <= 8
    seen = [one for one in found if one.sense]
    assert np.mean([one.sense == np.sign(drift_um) for one in seen]) > 0.99
    assert np.median([one.rate_um or 0 for one in seen]) == pytest.approx(drift_um, abs=0.5)


def test_it_says_with_which_sign_off_the_move_began() -> None:
    errors = [0, 1, -1, 0, 1, -1, 6, 12, 18, 24]
    series = [signed(30.0 * i, um, 2.0) for i, um in enumerate(errors)]
    found = chart(series)
    assert found.sense == 1
    assert found.start is not None
    assert found.innovations[found.start].place == 6
    assert found.rate_um == pytest.approx(6, abs=0.6)


@given(st.lists(st.floats(-40, 40), min_size=3, max_size=12))
def test_short_and_deep_are_treated_alike(errors: list[float]) -> None:
    one, other = (
        chart([signed(30.0 * i, side * um, 3.0) for i, um in enumerate(errors)]) for side in (1, -1)
    )
    assert one.sense == -other.sense
    assert one.is_beyond == other.is_beyond
    assert one.start == other.start


def test_a_prep_that_told_nothing_is_passed_over() -> None:
    silent = SignedError(days=30, error_um=5, sd_um=3, alone=None)
    found = chart([signed(0, 0, 3), silent, signed(60, 0, 3), signed(90, 0, 3)])
    assert [one.place for one in found.innovations] == [2, 3]
    assert found.innovations[0].expected_sd_um == pytest.approx(math.sqrt(9 + 1))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: chart([signed(1, 0, 1), signed(0, 0, 1)]), "order of time"),
        (lambda: prep_only_estimate(before_um=0, before_sd_um=0, after_um=0, after_sd_um=1), "above 0"),
        (lambda: prep_only_estimate(before_um=math.nan, before_sd_um=1, after_um=0, after_sd_um=1), "is nan"),
    ],
)
def test_impossible_series_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(InferenceError, match=words):
        call()
