"""What a sweep says against the lens and the body that were chosen."""

from types import SimpleNamespace
from typing import Any

import pytest

from shimwise.bench.errors import InputError
from shimwise.bench.sweep.match import refuse_other_units


def lens(*focal_lengths_mm: float, squeeze: float | None = None) -> Any:  # noqa: ANN401 - stands for a row
    return SimpleNamespace(name="P25", focal_lengths_mm=focal_lengths_mm, squeeze=squeeze)


def body(pitch_um: float | None = None) -> Any:  # noqa: ANN401 - stands for a row
    return SimpleNamespace(name="A-01", pixel_pitch_um=pitch_um)


@pytest.mark.parametrize(
    ("said", "chosen"),
    [
        ({"focal_mm": 50.0}, lens(25.0)),
        ({"focal_mm": 18.0}, lens(24.0, 80.0)),
        ({"focal_mm": 50.0, "squeeze": 1.8}, lens(50.0, squeeze=2.0)),
    ],
)
def test_another_lens_is_refused(said: dict[str, object], chosen: Any) -> None:  # noqa: ANN401
    with pytest.raises(InputError, match="Choose the lens that was swept") as told:
        refuse_other_units(said, body=body(), lens=chosen)
    assert told.value.field == "lens_id"


@pytest.mark.parametrize(
    ("said", "chosen"),
    [
        ({}, lens(25.0)),
        ({"focal_mm": "fifty"}, lens(25.0)),
        ({"focal_mm": 25.4}, lens(25.0)),
        ({"focal_mm": 35.0}, lens(24.0, 80.0)),
        ({"focal_mm": 80.0}, lens(24.0, 80.0)),
        ({"focal_mm": 25.0, "squeeze": 2}, lens(50.0, squeeze=2.0)),
    ],
)
def test_the_lens_itself_is_taken(said: dict[str, object], chosen: Any) -> None:  # noqa: ANN401
    refuse_other_units(said, body=body(), lens=chosen)


@pytest.mark.parametrize(("pitch_um", "is_taken"), [(5.0, True), (10.0, True), (5.5, False), (2.5, False)])
def test_a_pixel_pitch_is_the_bodys_or_that_of_whole_pixels_put_together(
    pitch_um: float, is_taken: bool
) -> None:
    if is_taken:
        refuse_other_units({"pitch_um": pitch_um}, body=body(5.0), lens=lens(25.0))
        return
    with pytest.raises(InputError, match=f"pitch of {pitch_um:g} µm, body A-01 has 5 µm") as told:
        refuse_other_units({"pitch_um": pitch_um}, body=body(5.0), lens=lens(25.0))
    assert told.value.field == "body_id"
