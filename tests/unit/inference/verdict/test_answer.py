"""The answer's words are an interface: files, pages and sheets read them."""

from dataclasses import FrozenInstanceError

import pytest
from invented_benches import body_answer

from shimwise.inference.verdict.answer import Verdict


def test_verdicts_are_the_words_of_the_verdict_file() -> None:
    words = {"in_tolerance", "out_short", "out_deep", "cannot_tell", "not_checked"}
    assert {str(verdict) for verdict in Verdict} == words


def test_an_answer_cannot_be_changed_afterwards() -> None:
    answer = body_answer()
    with pytest.raises(FrozenInstanceError):
        answer.error_um = 0.0  # type: ignore[misc]
