"""What a verdict and the other readings expect of a landing, against sums computed by hand."""

import pytest

from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    LensAnswer,
    ReadingAnswer,
    SetupAnswer,
    Verdict,
)
from shimwise.inference.verdict.expected_landing import (
    ReadingLanding,
    expected_from_others,
    expected_from_verdict,
)

LANDING = ReadingLanding(um=-20.0, sd_um=6.0, focal_mm=50.0, m=0.06)


def answer(*, readings: int) -> Answer:
    one = ReadingAnswer(row=0, line=1, body="A", lens="L", setup="S", landing_um=-20.0, sd_um=6.0, weight=1.0)
    known = {
        "low_um": 0.0,
        "high_um": 0.0,
        "p_out": 0.5,
        "verdict": Verdict.CANNOT_TELL,
        "tolerance_um": 10.0,
    }
    return Answer(
        tolerance_um=10.0,
        headline="",
        bodies=(BodyAnswer(name="A", error_um=-10.0, sd_um=8.0, **known),),
        lenses=(
            LensAnswer(
                name="L",
                error_um=4.0,
                sd_um=6.0,
                scale_permille=-1.0,
                scale_sd_permille=3.0,
                p_scale_out=0.1,
                **known,
            ),
        ),
        setups=(SetupAnswer(name="S", error_mm=2.0, sd_mm=1.0, p_out=0.5),),
        operators=(),
        readings=(one,) * readings,
        causes=(),
        next=(),
        notices=(),
    )


def test_a_verdict_expects_the_sum_of_body_lens_scale_and_tape() -> None:
    # -10 + 4; -1 permille of an extension of 50 mm x 0.06 = 3 mm is -3 um; 2 mm of tape x 0.06^2 is 7.2 um.
    found = expected_from_verdict(answer(readings=4), LANDING, body="A", lens="L", setup="S")
    assert found is not None
    assert found.um == pytest.approx(-10 + 4 - 3 + 7.2)
    assert found.sd_um == pytest.approx(3.0)  # 6 um over the root of four readings
    assert found.is_paired


def test_a_pair_never_read_is_known_no_better_than_its_parts() -> None:
    found = expected_from_verdict(answer(readings=0), LANDING, body="A", lens="L", setup="S")
    assert found is not None
    assert not found.is_paired
    assert found.sd_um > (8.0**2 + 6.0**2) ** 0.5


def test_a_verdict_that_knows_neither_unit_expects_nothing() -> None:
    assert expected_from_verdict(answer(readings=0), LANDING, body="B", lens="L", setup="S") is None


def test_without_a_verdict_the_median_of_the_others_is_expected() -> None:
    found = expected_from_others([-10.0, -12.0, 300.0], sd_um=6.0)
    assert found is not None
    assert found.um == -10.0
    assert expected_from_others([], sd_um=6.0) is None
