"""What the others predict for a landing: agreement by sums and thresholds computed by hand."""

from dataclasses import replace

import pytest
from invented_benches import body_answer, lens_answer

from shimwise.inference.verdict.answer import Answer, ReadingAnswer, SetupAnswer
from shimwise.inference.verdict.expected_landing import (
    AgreementKind,
    ExpectedLanding,
    ReadingLanding,
    agreement_of,
    expected_from_others,
    expected_from_verdict,
)

LANDING = ReadingLanding(um=-20.0, sd_um=6.0, focal_mm=50.0, m=0.06)


def answer(*, readings: int) -> Answer:
    one = ReadingAnswer(row=0, line=2, body="A", lens="L", setup="S", landing_um=0.0, sd_um=6.0, weight=1.0)
    return Answer(
        tolerance_um=10.0,
        headline="",
        bodies=(replace(body_answer("A"), error_um=-10.0, sd_um=8.0),),
        lenses=(
            replace(lens_answer("L"), error_um=4.0, sd_um=6.0, scale_permille=-1.0, scale_sd_permille=3.0),
        ),
        setups=(SetupAnswer(name="S", error_mm=2.0, sd_mm=1.0, p_out=0.0),),
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


@pytest.mark.parametrize(
    ("um", "kind"),
    [
        (-20.0, AgreementKind.AGREES),
        (-38.0, AgreementKind.AGREES),
        (-42.0, AgreementKind.APART),
        (2.0, AgreementKind.APART),
    ],
)
def test_a_landing_more_than_three_uncertainties_off_is_apart(um: float, kind: AgreementKind) -> None:
    # The uncertainty of the difference is 6.1 um, so the border lies 3.1 x 6.1 = 18.9 um off.
    landing = ReadingLanding(um=um, sd_um=6.0, focal_mm=50.0, m=0.06)
    found = agreement_of(landing, ExpectedLanding(um=-20.0, sd_um=1.0, is_paired=True))
    assert found.kind is kind
    assert found.off_um == pytest.approx(um + 20.0)


def test_the_verdicts_own_weight_decides_where_there_is_one() -> None:
    expected = ExpectedLanding(um=-20.0, sd_um=1.0, is_paired=True)
    far = ReadingLanding(um=30.0, sd_um=6.0, focal_mm=50.0, m=0.06)
    assert agreement_of(far, expected, weight=0.9).kind == "agrees"
    assert agreement_of(far, expected, weight=0.1).kind == "apart"


def test_a_first_reading_is_called_so() -> None:
    assert agreement_of(LANDING, None).kind == "first"
