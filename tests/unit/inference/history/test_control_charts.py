"""The drift charts, against the worked examples of the NIST/SEMATECH e-Handbook."""

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import InferenceError
from shimwise.inference.history.control_charts import cusum, ewma, watch

MEASUREMENT = json.loads(
    (Path(__file__).parents[3] / "reference" / "measurement.json").read_text(encoding="utf-8")
)
CUSUM = MEASUREMENT["cusum_nist_6_3_2_3"]
EWMA = MEASUREMENT["ewma_nist_6_3_2_4"]
ROUNDED = 0.0051
"""Two printed decimals, and half a unit of float for values that lie on the half."""

values = st.lists(st.floats(-50, 50), max_size=40)


def test_cusum_repeats_the_table_of_the_handbook() -> None:
    chart = cusum(CUSUM["x"], target=CUSUM["target"], slack=CUSUM["k"], limit=CUSUM["h"])
    assert chart.high == pytest.approx(CUSUM["printed_S_hi"], abs=ROUNDED)
    assert chart.low == pytest.approx(CUSUM["printed_S_lo"], abs=ROUNDED)
    assert chart.first_alarm == CUSUM["first_alarm_observation"] - 1


def test_ewma_repeats_the_table_of_the_handbook() -> None:
    chart = ewma(EWMA["x"], target=EWMA["ewma0"], sd=EWMA["s"], weight=EWMA["lam"], width_sds=EWMA["k"])
    assert chart.averages == pytest.approx(EWMA["printed_ewma"], abs=ROUNDED)
    upper, lower = (EWMA["ewma0"] + side * chart.settled_half_width for side in (1, -1))
    assert upper == pytest.approx(EWMA["printed_UCL"], abs=0.00006)
    assert lower == pytest.approx(EWMA["printed_LCL"], abs=0.0001)  # printed 47.4115, exactly 47.41157
    assert chart.first_alarm is None


@given(values)
def test_turning_the_values_over_exchanges_the_two_sums(xs: list[float]) -> None:
    one = cusum(xs, target=0, slack=0.5, limit=5)
    other = cusum([-x for x in xs], target=0, slack=0.5, limit=5)
    assert one.high == pytest.approx(other.low, abs=1e-9)
    assert one.low == pytest.approx(other.high, abs=1e-9)
    assert min((*one.high, *one.low), default=0.0) >= 0.0


@given(values, st.floats(0.05, 1))
def test_a_moving_average_never_leaves_the_range_of_target_and_values(xs: list[float], weight: float) -> None:
    chart = ewma(xs, target=0, sd=1, weight=weight)
    for i, average in enumerate(chart.averages):
        seen = [0.0, *xs[: i + 1]]
        assert min(seen) - 1e-9 <= average <= max(seen) + 1e-9
    assert all(width <= chart.settled_half_width for width in chart.half_width)


def test_averages_scatter_as_their_limits_say() -> None:
    rng = np.random.default_rng(5)
    charts = [ewma(list(rng.normal(0, 2, 12)), target=0, sd=2, weight=0.3, width_sds=1) for _ in range(4000)]
    scatter = np.std([chart.averages for chart in charts], axis=0)
    assert scatter == pytest.approx(charts[0].half_width, rel=0.04)


def test_a_steady_unit_raises_few_alarms_and_a_drifting_one_is_seen() -> None:
    rng = np.random.default_rng(8)
    steady = [watch(list(rng.normal(0, 1, 20))).is_drifting for _ in range(500)]
    shifted = [watch(list(rng.normal(1.5, 1, 20))).is_drifting for _ in range(500)]
    assert np.mean(steady) < 0.1
    assert np.mean(shifted) > 0.98


def test_a_chart_without_values_is_quiet() -> None:
    assert watch([]).first_alarm is None


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: cusum([1, math.nan], target=0, slack=0, limit=1), "value of the chart is nan"),
        (lambda: cusum([1], target=0, slack=-1, limit=1), "slack of the chart is -1"),
        (lambda: cusum([1], target=0, slack=0, limit=0), "limit of the chart is 0"),
        (lambda: ewma([1], target=0, sd=0), "standard deviation of the chart is 0"),
        (lambda: ewma([1], target=0, sd=1, weight=1.2), "weight is 1.2"),
    ],
)
def test_impossible_charts_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(InferenceError, match=words):
        call()
