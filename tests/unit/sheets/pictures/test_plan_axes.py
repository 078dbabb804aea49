"""A plan says which sight of a lens is meant where the lens has several."""

from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.plan.planner import plan_check
from shimwise.sheets.words.plan_words import sight_text


def test_the_axes_of_an_anamorphic_are_told_apart_and_a_prime_needs_nothing() -> None:
    prep = Prep(
        readings=(),
        bodies={"A": BodyKnowledge()},
        lenses={
            "N1": LensKnowledge(focal_lengths_mm=(40.0,), fnumber=2.3, squeeze=2.0, history_sd_um=4.0),
            "P25": LensKnowledge(focal_lengths_mm=(25.0,), fnumber=2.0, history_sd_um=4.0),
        },
    )
    plan = plan_check(prep, target_um=4.0, distances_mm=(914.4,))
    told = [(one.lens, sight_text(one, plan)) for one in plan.readings]
    assert len(set(told)) == len(told)
    assert {words for lens, words in told if lens == "N1"} <= {"vertical axis", "horizontal axis"}
    assert {words for lens, words in told if lens == "P25"} <= {""}
