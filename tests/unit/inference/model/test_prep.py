"""What the judge takes in: plain values, and what holds where nothing is said."""

from dataclasses import FrozenInstanceError

import pytest
from invented_benches import reading

from shimwise.inference.model.prep import Axis, BodyKnowledge, FocusDesign, LensKnowledge, Prep, UnitKnowledge


def test_nothing_is_known_of_a_unit_of_which_nothing_is_said() -> None:
    for knowledge in (UnitKnowledge(), BodyKnowledge(), LensKnowledge()):
        assert knowledge.history_sd_um is None
        assert knowledge.gauge_um is None
    assert LensKnowledge().separation_mm is None
    assert BodyKnowledge().tolerance_um is None


def test_the_words_of_the_readings_file_are_choices() -> None:
    assert FocusDesign("internal focus") is FocusDesign.INTERNAL
    assert Axis("horizontal") is Axis.HORIZONTAL
    with pytest.raises(ValueError, match="sideways"):
        Axis("sideways")


def test_preps_share_no_knowledge_with_each_other() -> None:
    assert Prep(readings=()).bodies is not Prep(readings=()).bodies


def test_a_reading_cannot_be_changed_afterwards() -> None:
    with pytest.raises(FrozenInstanceError):
        reading().distance_mm = 1.0  # type: ignore[misc]
