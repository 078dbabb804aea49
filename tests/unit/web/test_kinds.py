"""What requests bring: a number is a number."""

from typing import Any

import pytest
from pydantic import Field, ValidationError

from shimwise.web.api.kinds import In, Name


class _Sent(In):
    name: Name = "x"
    size_um: float | None = None
    sizes_um: list[float] = Field(default_factory=list)
    by_mount_um: dict[str, float] = Field(default_factory=dict)
    is_set: bool = False
    either: float | str = 0.0


@pytest.mark.parametrize(
    "sent",
    [
        {"size_um": True},
        {"size_um": "5"},
        {"sizes_um": [1, "2"]},
        {"sizes_um": [False]},
        {"by_mount_um": {"PL": "5"}},
        {"by_mount_um": {"PL": True}},
    ],
)
def test_a_truth_value_or_a_text_is_no_number(sent: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match="valid number"):
        _Sent.model_validate(sent)


def test_numbers_texts_and_truth_values_are_taken_where_they_belong() -> None:
    sent = _Sent.model_validate(
        {
            "name": "5",
            "size_um": 5,
            "sizes_um": [1, 2.5],
            "by_mount_um": {"PL": 5},
            "is_set": True,
            "either": "far",
        }
    )
    assert (sent.name, sent.size_um, sent.sizes_um, sent.is_set, sent.either) == (
        "5",
        5.0,
        [1.0, 2.5],
        True,
        "far",
    )
