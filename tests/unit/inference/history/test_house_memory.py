"""The memory of a house: what learning from all signed preps together changes in it."""

from datetime import UTC, datetime

import numpy as np
import pytest

from shimwise.inference.history.house_memory import HouseMemory, Since, after_learning
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.kinds import Kind

BODY, LENS, OTHER = Unit(Kind.BODY, "a"), Unit(Kind.LENS, "l"), Unit(Kind.BODY, "another house's")
BEFORE = Since(at=datetime(2026, 1, 1, tzinfo=UTC), prep_id="p")


def memory() -> HouseMemory:
    """A body and a lens whose sum is known better than either."""
    covariance = np.array([[100.0, -80.0], [-80.0, 80.0]])
    history = History(units=(BODY, LENS), mean=np.array([5.0, -3.0]), covariance=covariance)
    return HouseMemory(history=history, since={BODY: BEFORE, LENS: BEFORE}, seq=7)


def test_what_all_preps_say_takes_the_memorys_place_and_what_they_do_not_know_follows() -> None:
    known = History(units=(BODY, OTHER), mean=np.array([10.0, 50.0]), covariance=np.diag([25.0, 9.0]))
    after = after_learning(memory(), known)
    body, lens = after.history.remembered(Kind.BODY, "a"), after.history.remembered(Kind.LENS, "l")
    assert (body.mean, body.sd) == pytest.approx((10.0, 5.0))
    # The lens given the body is −3 − 0.8 (body − 5), with a variance of 80 − 64 = 16 left.
    assert (lens.mean, lens.sd) == pytest.approx((-7.0, (16 + 0.64 * 25) ** 0.5))
    assert after.history.units == (BODY, LENS)  # a unit that nothing was remembered of stays out
    assert (after.since, after.seq) == (memory().since, 7)


def test_a_record_that_knows_none_of_the_units_changes_nothing() -> None:
    known = History(units=(OTHER,), mean=np.array([50.0]), covariance=np.array([[9.0]]))
    assert after_learning(memory(), known).history.mean.tolist() == [5.0, -3.0]
