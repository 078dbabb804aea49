"""The ladder of states: one rung for each combination of facts, and a count of readings that holds."""

import math
from dataclasses import asdict, replace

import pytest

from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    LensAnswer,
    NextReading,
    ReadingAnswer,
    Verdict,
)
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.notices import Notice
from shimwise.remedy.to_do import to_do
from shimwise.sheets.words.notices import notice_text


def body(
    error_um: float = 0.0,
    sd_um: float = 6.5,
    verdict: Verdict = Verdict.CANNOT_TELL,
    limit_um: float = math.nan,
) -> BodyAnswer:
    half_um = 1.96 * sd_um
    return BodyAnswer(
        name="A",
        error_um=error_um,
        sd_um=sd_um,
        low_um=error_um - half_um,
        high_um=error_um + half_um,
        p_out=0.2,
        verdict=verdict,
        tolerance_um=10.0,
        limit_um=limit_um,
    )


def answer(unit: BodyAnswer, *, readings: int = 0, name: str = "A") -> Answer:
    return Answer(
        tolerance_um=10.0,
        headline="",
        bodies=(unit,),
        lenses=(),
        setups=(),
        operators=(),
        readings=tuple(
            ReadingAnswer(
                row=n, line=n, body=name, lens="L", setup="S", landing_um=0.0, sd_um=5.0, weight=1.0
            )
            for n in range(readings)
        ),
        causes=(),
        next=(NextReading(body="A", lens="L", distance_mm=914.4, sd_after_um=4.0),),
        notices=(),
    )


@pytest.mark.parametrize("verdict", [Verdict.IN_TOLERANCE, Verdict.OUT_SHORT, Verdict.OUT_DEEP])
def test_what_is_decided_keeps_its_verdict(verdict: Verdict) -> None:
    unit = body(verdict=verdict)
    assert state_of(unit, answer(unit, readings=4)).code.value == verdict.value


@pytest.mark.parametrize("verdict", [Verdict.CANNOT_TELL, Verdict.NOT_CHECKED])
def test_eighteen_readings_are_never_called_not_read(verdict: Verdict) -> None:
    unit = body(verdict=verdict)
    state = state_of(unit, answer(unit, readings=18))
    assert state.code is StateCode.NEEDS_READINGS
    assert state.following is not None
    assert state.half_um == pytest.approx(1.96 * 6.5)


def test_readings_of_before_a_move_are_counted_apart() -> None:
    unit = body(verdict=Verdict.NOT_CHECKED)
    was = replace(body(), name="A before adjustment 1")
    moved = replace(answer(unit, readings=18, name=was.name), past_bodies=(was,))
    state = state_of(unit, moved)
    assert (state.code, state.readings, state.readings_before) == (StateCode.NOT_READ, 0, 18)


def test_more_readings_are_as_many_as_the_judge_counted() -> None:
    unit = replace(body(sd_um=8.0), more_readings=7)
    assert state_of(unit, answer(unit, readings=4)).more == 7


def test_a_body_that_no_number_of_readings_decides_cannot_be_parted_from_its_lenses() -> None:
    unit = body(sd_um=8.0, limit_um=13.0)
    state = state_of(unit, answer(unit, readings=18))
    assert state.code is StateCode.CANNOT_PART
    assert (state.apart_from, state.best_um) == (("L",), 13.0)
    # ±8 µm alone would do for the tolerance, not so near its edge
    near = body(error_um=8.0, sd_um=6.0, limit_um=8.0)
    assert state_of(near, answer(near, readings=18)).code is StateCode.CANNOT_PART
    better = replace(unit, limit_um=8.0)
    assert state_of(better, answer(better, readings=18)).code is StateCode.NEEDS_READINGS


def test_a_lens_has_a_limit_of_its_own() -> None:
    # A lens whose history is known is told apart on a body that is not known to half the tolerance itself.
    unit = body(sd_um=8.0, limit_um=13.0)
    for limit_um, code in ((13.0, StateCode.CANNOT_PART), (8.0, StateCode.NEEDS_READINGS)):
        lens = LensAnswer(
            **{**asdict(unit), "name": "L", "limit_um": limit_um},
            scale_permille=0.0,
            scale_sd_permille=1.0,
            p_scale_out=0.0,
        )
        both = replace(answer(unit, readings=18), lenses=(lens,))
        assert state_of(lens, both).code is code


def test_a_body_that_cannot_be_parted_is_to_be_gauged() -> None:
    unit = body(sd_um=8.0, limit_um=13.0)
    line = next(one for one in to_do(answer(unit, readings=18)) if one.code == "do_gauge")
    assert "Gauge A, or read a lens of known history on it" in notice_text(line)
    assert "readings alone leave ± 13 µm at best" in notice_text(line)
    # Where it is a lens of the bench that hides it, no limit of readings is known: none is claimed.
    unknown = replace(line, numbers={**line.numbers, "best_um": None})
    assert notice_text(unknown).endswith("the readings cannot part its error from that of a lens.")
    better = replace(unit, limit_um=8.0)
    assert "do_gauge" not in {one.code for one in to_do(answer(better, readings=18))}


def test_steps_wider_than_the_tolerance_are_said_as_the_reason_of_a_wide_interval() -> None:
    numbers = {"step_mm": 304.8, "near_mm": 914.4, "width_um": 1268.0}
    coarse = replace(
        answer(body(sd_um=20.0), readings=24), notices=(Notice("marks_assumed", "R. Okafor", numbers),)
    )
    lines = to_do(coarse)
    codes = [one.code for one in lines]
    assert codes.index("do_read_finer") < codes.index("do_read_next")
    text = notice_text(lines[codes.index("do_read_finer")])
    assert "Read between the marks: R. Okafor's readings are steps of 1,268 µm at the sensor near 3'" in text
    decided = replace(coarse, bodies=(body(sd_um=2.0, verdict=Verdict.IN_TOLERANCE),))
    assert "do_read_finer" not in {one.code for one in to_do(decided)}
