"""The re-check after an adjustment: the least readings, then what the judge proposes."""

import math

import pytest

from shimwise.inference.plan.recheck import Recheck, Target, plan_recheck

NEAR_MM, FAR_MM = 914.4, 1828.8


def planned(
    *since: Target,
    unit: str = "A",
    is_body: bool = True,
    read: tuple[Target, ...] = (),
    lenses: tuple[str, ...] = ("L1", "L2", "L3"),
    taped_mm: tuple[float, ...] = (),
    proposed: tuple[Target, ...] = (),
) -> Recheck:
    return plan_recheck(
        unit,
        is_body=is_body,
        since=since,
        read=(*read, *since),
        bodies=("A", "B"),
        lenses=lenses,
        taped_mm={"A": taped_mm},
        proposed=proposed,
    )


def grid(*lenses: str) -> tuple[Target, ...]:
    return tuple(Target("A", lens, mm) for lens in lenses for mm in (NEAR_MM, FAR_MM))


def test_a_body_is_read_with_two_lenses_at_two_distances() -> None:
    found = planned()
    assert not found.is_read
    assert found.asked == grid("L1", "L2")


def test_lenses_and_tapes_that_were_used_before_come_first() -> None:
    found = planned(read=(Target("A", "L3", NEAR_MM), Target("B", "L2", NEAR_MM)), taped_mm=(3000.0, 2000.0))
    assert found.asked == tuple(Target("A", lens, mm) for lens in ("L3", "L1") for mm in (2000.0, 3000.0))


def test_what_was_read_since_is_not_asked_again() -> None:
    done = Target("A", "L2", FAR_MM)
    assert planned(done).asked == (*grid("L2")[:1], *grid("L1"))


@pytest.mark.parametrize(
    ("since", "is_read"),
    [
        ((Target("A", "L1", NEAR_MM), Target("A", "L2", FAR_MM)), True),
        ((Target("A", "L1", NEAR_MM), Target("A", "L1", FAR_MM)), False),
        ((Target("A", "L1", NEAR_MM), Target("A", "L2", NEAR_MM)), False),
        ((Target("A", "L1", NEAR_MM), Target("A", "L2", math.inf)), True),
    ],
)
def test_one_lens_or_one_distance_alone_is_not_enough(since: tuple[Target, ...], is_read: bool) -> None:
    assert planned(*since).is_read is is_read


def test_of_a_single_lens_no_second_one_is_asked() -> None:
    assert planned(*grid("L1"), lenses=("L1",)).is_read


def test_a_lens_is_read_on_one_body_at_two_distances() -> None:
    found = planned(unit="L2", is_body=False, read=(Target("B", "L2", NEAR_MM),))
    assert found.asked == (Target("B", "L2", NEAR_MM), Target("B", "L2", FAR_MM))
    read = planned(*found.asked, unit="L2", is_body=False)
    assert (read.partner_count, read.distance_count, read.is_read) == (1, 2, True)


def test_beyond_the_least_the_judge_is_followed_a_few_at_a_time() -> None:
    own = tuple(Target("A", "L3", mm) for mm in (1e3, 2e3, 3e3, 4e3, 5e3))
    other = Target("B", "L1", NEAR_MM)
    found = planned(*grid("L1", "L2"), proposed=(other, *own))
    assert found.asked == own[:4]
    assert planned(*grid("L1", "L2"), proposed=(other,)).asked == (other,)
    assert planned(*grid("L1", "L2")).asked == ()
