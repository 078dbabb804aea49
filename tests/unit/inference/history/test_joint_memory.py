"""What is remembered between preps, against conditional normals, batch least squares and simulation."""

import base64
import json
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimwise.errors import InferenceError
from shimwise.inference.model.joint_memory import DriftRates, History, Unit
from shimwise.inference.model.kinds import Kind

B1, L1, L2 = Unit(Kind.BODY, "B1"), Unit(Kind.LENS, "L1"), Unit(Kind.LENS, "L2")


def correlated() -> History:
    covariance = np.array([[25.0, -16, -16], [-16, 25, 16], [-16, 16, 30]])
    return History(units=(B1, L1, L2), mean=np.array([3.0, -2, 1]), covariance=covariance)


def packed(*rows: float) -> str:
    return base64.b64encode(np.array(rows, dtype="<f8").tobytes()).decode()


@st.composite
def histories(draw: st.DrawFn) -> History:
    size = draw(st.integers(1, 5))
    root = np.array(
        draw(st.lists(st.lists(st.floats(-9, 9), min_size=6, max_size=6), min_size=size, max_size=size))
    )
    units = tuple(
        Unit(draw(st.sampled_from([Kind.BODY, Kind.LENS, Kind.SCALE])), f"unit {i}", draw(st.integers(0, 2)))
        for i in range(size)
    )
    return History(units=units, mean=root[:, 0], covariance=root @ root.T + np.eye(size))


@settings(deadline=None)
@given(histories())
def test_what_is_written_is_read_back(history: History) -> None:
    again = History.from_json(json.loads(json.dumps(history.to_json())))
    assert again.units == history.units
    assert again.mean == pytest.approx(history.mean)
    assert again.covariance == pytest.approx(history.covariance)


def test_the_variance_of_a_year_without_a_job_is_that_of_twelve_months() -> None:
    wear = DriftRates(lens_month=2.0, lens_job=7.0)
    assert wear.variance(Kind.LENS, days=360, jobs=0) == pytest.approx(12 * 4)


def test_a_move_starts_an_epoch_known_as_the_old_one_and_the_move() -> None:
    moved = correlated().moved(Kind.BODY, "B1", by=-12, sd=3)
    new, old = moved.remembered(Kind.BODY, "B1"), moved.remembered(Kind.BODY, "B1", epoch=0)
    assert (new.mean, new.sd) == (pytest.approx(-9), pytest.approx(math.sqrt(34)))
    assert (old.mean, old.sd) == (pytest.approx(3), pytest.approx(5))
    change = moved.change(Kind.BODY, "B1")  # what both epochs share is no uncertainty of the change
    assert (change.mean, change.sd) == (pytest.approx(-12), pytest.approx(3))
    assert moved.covariance[3, 1] == moved.covariance[0, 1]


@settings(deadline=None)
@given(histories())
def test_what_is_kept_is_never_known_better_than_the_floor(history: History) -> None:
    floored = history.floored()
    for unit in floored.units:
        kept = floored.remembered(unit.kind, unit.name)
        before = history.remembered(unit.kind, unit.name)
        assert kept.mean == before.mean
        assert kept.sd >= max(before.sd, 1.0) * (1 - 1e-12)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: History.empty().remembered(Kind.LENS, "L1"), "Nothing is remembered of the lens 'L1'"),
        (lambda: correlated().remembered(Kind.BODY, "B1", epoch=4), "in epoch 4"),
        (lambda: correlated().change(Kind.BODY, "B1"), "in epoch -1"),
        (lambda: correlated().joined(B1, mean=0, sd=1), "remembered already"),
        (lambda: correlated().joined(Unit(Kind.BODY, "B2"), mean=0, sd=0), "sd of B2 is 0"),
        (lambda: correlated().moved(Kind.BODY, "B1", by=math.nan, sd=1), "move of B1 is nan"),
        (lambda: correlated().moved(Kind.BODY, "B1", by=1, sd=-1), "move of B1 is -1"),
        (lambda: DriftRates(body_job=-1), "finite and 0 or more"),
        (lambda: History.from_json({}), "no history that can be read"),
        (
            lambda: History.from_json({**correlated().to_json(), "schema": "other/1"}),
            "parts do not fit",
        ),
        (
            lambda: History.from_json({**correlated().to_json(), "covariance": packed(1, 5, 1, 0, 0, 1)}),
            "covariance is none",
        ),
        (
            lambda: History.from_json({**correlated().to_json(), "covariance": packed(1, 5, 1)}),
            "no history that can be read",
        ),
        (
            lambda: History.from_json({**correlated().to_json(), "covariance": "no base64"}),
            "no history that can be read",
        ),
        (lambda: History.from_json({**correlated().to_json(), "mean": [1, 2, math.nan]}), "history is nan"),
    ],
)
def test_impossible_histories_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(InferenceError, match=words):
        call()
