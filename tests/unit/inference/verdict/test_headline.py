"""The verdict in words, for each kind of outcome."""

import pytest
from invented_benches import body_answer, lens_answer

from shimwise.inference.verdict.answer import Answer, BodyAnswer, Cause, LensAnswer, Verdict
from shimwise.inference.verdict.headline import headline_of


def headline(
    *,
    bodies: tuple[BodyAnswer, ...] = (body_answer(),),
    lenses: tuple[LensAnswer, ...] = (lens_answer(),),
    causes: tuple[Cause, ...] = (),
) -> str:
    answer = Answer(
        tolerance_um=10.0,
        headline="",
        bodies=bodies,
        lenses=lenses,
        setups=(),
        operators=(),
        readings=(),
        causes=causes,
        next=(),
        notices=(),
    )
    return headline_of(answer)


def test_nothing_out_says_how_many_are_within_what() -> None:
    assert headline() == "Nothing is out: all 2 units are within ±10 µm."


def test_a_body_that_lands_short_has_its_sensor_too_close() -> None:
    body = body_answer(error_um=-21.2, sd_um=3.0, verdict=Verdict.OUT_SHORT)
    assert headline(bodies=(body,)) == (
        "Body B1 lands short: the sensor sits too close by 21 µm, give or take 6 (95 %)."
    )


def test_a_body_that_lands_deep_has_its_sensor_too_far() -> None:
    body = body_answer(error_um=21.2, sd_um=3.0, verdict=Verdict.OUT_DEEP)
    assert "lands deep: the sensor sits too far by 21 µm" in headline(bodies=(body,))


@pytest.mark.parametrize(("verdict", "word"), [(Verdict.OUT_SHORT, "short"), (Verdict.OUT_DEEP, "deep")])
def test_a_lens_lands_by_itself(verdict: Verdict, word: str) -> None:
    lens = lens_answer("L7", error_um=-17.0, sd_um=2.0, verdict=verdict)
    assert headline(lenses=(lens,)) == f"Lens L7 lands {word} by itself, by 17 µm, give or take 4 (95 %)."


@pytest.mark.parametrize(
    ("kind", "sentence"),
    [("setup", "Set-up S1 is taped wrong (P 91 %)."), ("scale", "The scale of lens S1 is off (P 91 %).")],
)
def test_a_tape_or_scale_that_is_probably_off_is_named(kind: str, sentence: str) -> None:
    assert headline(causes=(Cause(kind=kind, unit="S1", probability=0.91),)) == sentence
    unsure = headline(causes=(Cause(kind=kind, unit="S1", probability=0.6),))
    assert unsure.startswith("Nothing is out")


@pytest.mark.parametrize("kind", ["body", "lens"])
def test_a_body_or_lens_is_named_by_its_verdict_and_not_by_its_probability(kind: str) -> None:
    assert headline(causes=(Cause(kind=kind, unit="B1", probability=0.99),)).startswith("Nothing is out")


def test_bodies_come_before_lenses_and_more_than_three_are_counted() -> None:
    lenses = tuple(lens_answer(f"L{i}", error_um=30.0, verdict=Verdict.OUT_DEEP) for i in range(3))
    told = headline(
        bodies=(body_answer(error_um=30.0, verdict=Verdict.OUT_DEEP),),
        lenses=lenses,
        causes=(Cause(kind="setup", unit="S1", probability=0.9),),
    )
    assert told.startswith("Body B1 lands deep")
    assert told.index("Lens L0") < told.index("Lens L1")
    assert "Lens L2" not in told
    assert told.endswith("And 2 more.")


@pytest.mark.parametrize(
    ("verdicts", "sentence"),
    [
        ([Verdict.CANNOT_TELL], "Not decided yet: 1 unit needs more readings, 1 is in tolerance."),
        ([Verdict.NOT_CHECKED], "Not decided yet: 1 unit is not read, 1 is in tolerance."),
        (
            [Verdict.CANNOT_TELL, Verdict.NOT_CHECKED, Verdict.NOT_CHECKED],
            "Not decided yet: 1 unit needs more readings, 2 are not read, 1 is in tolerance.",
        ),
    ],
)
def test_what_is_not_decided_is_counted_by_kind(verdicts: list[Verdict], sentence: str) -> None:
    assert headline(lenses=tuple(lens_answer(f"L{i}", verdict=v) for i, v in enumerate(verdicts))) == sentence


@pytest.mark.parametrize("verdict", [v for v in Verdict if v is not Verdict.IN_TOLERANCE])
def test_nothing_is_out_is_never_said_while_one_unit_is_not_in_tolerance(verdict: Verdict) -> None:
    assert "Nothing is out" not in headline(bodies=(body_answer(verdict=verdict, error_um=12.0),))
