"""Landings that frames measured, beside readings by eye."""

from dataclasses import replace

import pytest

from shimwise.inference.model.prep import LensKnowledge, MeasuredLanding, Prep, Reading
from shimwise.inference.verdict.judge import judge

BY_EYE = Reading(
    row=0, line=2, body="B1", lens="L1", focal_mm=35, fnumber=2, distance_mm=1828.8, reading_mm=1800.0
)
MEASURED = MeasuredLanding(
    row=1, line=3, body="B1", lens="L1", focal_mm=35, fnumber=2, distance_mm=1828.8, landing_um=2.0, sd_um=0.5
)
TRUE_LENS = LensKnowledge(history_mean_um=0.0, history_sd_um=1.0, separation_mm=0.0)


def test_a_measured_landing_pulls_the_body_to_where_the_frames_say_it_is() -> None:
    measured = replace(MEASURED, landing_um=-20.0)
    answer = judge(Prep(readings=(), landings=(measured,), lenses={"L1": TRUE_LENS}))
    body = answer.bodies[0]
    # One lens known to 1 µm, one landing known to 0.5 µm; that the lens changed leaves some room.
    assert body.low_um < -20.0 < body.high_um
    assert body.error_um < -14.0
    assert body.sd_um < 8.0
    assert answer.readings[0].landing_um == -20.0


def test_frames_outweigh_the_eye_by_their_uncertainty() -> None:
    # A lens without error reading 28.8 mm short at 6 ft lands about 11 µm short; the frames say 2 µm deep.
    answer = judge(Prep(readings=(BY_EYE,), landings=(MEASURED,), lenses={"L1": TRUE_LENS}))
    assert answer.readings[0].landing_um < -10
    assert answer.bodies[0].error_um == pytest.approx(1.5, abs=1.0)


def test_frames_do_not_count_as_a_person() -> None:
    answer = judge(Prep(readings=(replace(BY_EYE, operator="Ines"),), landings=(MEASURED,)))
    assert [operator.name for operator in answer.operators] == ["Ines"]
