"""What to measure next by picture: what decides most, by the decision rule itself on drawn outcomes."""

from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest
from invented_benches import bench, prep, reading

from shimwise.inference.model.candidates import PICTURE_SD_UM, as_pictures, offered_readings
from shimwise.inference.model.prep import LensKnowledge, MeasuredLanding, Prep
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.decision import decide
from shimwise.inference.verdict.judge import judge, judge_prep
from shimwise.inference.verdict.next_readings import _decided


def pictures(subject: Prep) -> Prep:
    """The same sights by picture, each on its mark."""
    landings = tuple(
        replace(one, row=row, line=row + 2, landing_um=0.0, setting=f"{row}")
        for row, one in enumerate(as_pictures(subject.readings))
    )
    return replace(subject, readings=(), landings=landings)


def test_after_a_landing_by_picture_only_others_are_offered_and_after_none_either() -> None:
    by_eye = prep(*bench(repeats=1))
    pictured = [isinstance(one, MeasuredLanding) for one in offered_readings(by_eye)]
    assert pictured.count(True) == pictured.count(False) > 0
    offered = offered_readings(pictures(by_eye))
    assert all(isinstance(one, MeasuredLanding) for one in offered)
    assert {one.sd_um for one in offered if isinstance(one, MeasuredLanding)} == {
        float(np.hypot(PICTURE_SD_UM, 1.5))
    }


def test_the_verdict_says_next_by_picture() -> None:
    few = pictures(prep(*bench(repeats=1)[:3]))
    answer = judge(few)
    assert answer.next
    assert all(one.by_picture for one in answer.next)
    assert answer.next_by_picture == answer.next
    by_eye = judge(prep(reading()))
    assert not any(one.by_picture for one in by_eye.next)
    assert by_eye.next_by_picture
    assert all(one.by_picture for one in by_eye.next_by_picture)


def test_after_readings_of_some_lenses_the_others_come_first_by_picture() -> None:
    kit = {
        f"H{f}": LensKnowledge(focal_lengths_mm=(float(f),), fnumber=2.0)
        for f in (18, 21, 25, 32, 40, 50, 75, 100)
    }
    read = [reading(row=k, lens=name, focal_mm=float(name[1:])) for k, name in enumerate(list(kit)[:4])]
    answer = judge(replace(prep(*read), lenses=kit))
    assert {one.lens for one in answer.next_by_picture} <= set(list(kit)[4:])


def test_what_is_offered_by_picture_changes_nothing_of_what_is_offered_by_eye() -> None:
    subject = prep(*bench(repeats=1))
    offered = offered_readings(subject)
    by_eye = [one for one in offered if not isinstance(one, MeasuredLanding)]
    alone, both = (judge_prep(subject, candidates=some).answer for some in (by_eye, offered))
    assert replace(both, next_by_picture=()) == alone


@pytest.mark.parametrize(
    ("mean", "before", "after"), [(0.0, 6.0, 3.0), (8.0, 4.0, 1.0), (15.0, 5.0, 2.0), (10.0, 3.0, 0.5)]
)
def test_the_chance_of_a_decision_is_that_of_the_rule_on_drawn_outcomes(
    mean: float, before: float, after: float
) -> None:
    moves = float(np.sqrt(before**2 - after**2))
    limit = 10.0
    found = _decided(np.array([mean]), np.array([moves]), np.array([after]), np.array([limit]))[0]
    centres = np.random.default_rng(3).normal(mean, moves, 4000)

    def verdict(centre: float) -> Verdict:
        posterior = NormalDist(centre, after)
        return decide(
            p_below=posterior.cdf(-limit),
            p_above=1 - posterior.cdf(limit),
            sd_um=after,
            tolerance_um=limit,
            is_read=True,
        )

    share = np.mean([verdict(float(centre)).is_decided for centre in centres])
    assert found == pytest.approx(share, abs=0.03)


def test_what_was_never_measured_comes_first_however_well_it_is_known() -> None:
    known = {f"L{f:g}": LensKnowledge(history_mean_um=0.0, history_sd_um=2.0) for f in (18.0, 50.0)}
    known["L50"] = replace(known["L50"], focal_lengths_mm=(50.0,), fnumber=2.0)
    one = pictures(prep(reading(lens="L18", focal_mm=18.0)))
    answer = judge(replace(one, lenses=known))
    assert answer.next[0].lens == "L50"
