"""Stars of pictures made apart, by an image former of their own (tests/reference/README.md, item 11)."""

import json
import shutil
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from shimwise.bench.sweep.measure import LookedAt, OwnStar, measure

REFERENCE = Path(__file__).parents[3] / "reference"


@cache
def found(name: str) -> tuple[dict[str, Any], float, dict[str, str]]:
    """Document of a sweep's star, its error [µm], and the frames that each notice names."""
    return measured(REFERENCE / name)


def measured(folder: Path) -> tuple[dict[str, Any], float, dict[str, str]]:
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    star = truth["star"]
    own = OwnStar(centre_px=tuple(star["centre_px"]), radius_px=star["radius_px"], spokes=star["spokes"])
    document = measure(folder, looked_at=LookedAt(star=own)).document
    named = {one["code"]: str(one["numbers"].get("frames", "")) for one in document["notices"]}
    assert document["low_um"] < truth["best_um"] < document["high_um"]
    return document, document["best_um"] - truth["best_um"], named


@pytest.mark.slow
def test_best_focus_of_a_perfect_lens_is_found_to_hundredths_and_nothing_is_flagged() -> None:
    document, error, named = found("foreign-1")
    # The paraxial law alone is off by .3 µm here.
    assert abs(error) < 0.02
    assert document["high_um"] - document["low_um"] < 0.5
    assert document["channel"] == "grey"
    assert document["alternatives"] == []
    assert named == {}


@pytest.mark.slow
def test_a_missing_frame_is_found_at_its_place_and_corrected() -> None:
    _, error, named = found("foreign-4")
    assert abs(error) < 0.15
    assert named == {"frame_slipped": "005.png"}


@pytest.mark.slow
def test_a_hand_and_a_start_that_has_not_settled_are_left_out_and_named() -> None:
    _, error, named = found("foreign-6")
    assert abs(error) < 0.25
    assert named["frame_obstructed"] == "007.png, 010.png"
    assert named["not_settled"].startswith("000.png")


def test_a_soft_shadow_that_leaves_the_contrast_is_named_and_left_out(tmp_path: Path) -> None:
    copy = shutil.copytree(REFERENCE / "foreign-1", tmp_path / "foreign-1")
    frame = cv2.imread(str(copy / "008.png"), cv2.IMREAD_UNCHANGED)
    across = 1.0 / (1.0 + np.exp((np.arange(frame.shape[1]) - 120.0) / 25.0))
    cv2.imwrite(str(copy / "008.png"), (frame * (1.0 - 0.8 * across)).astype(frame.dtype))
    _, error, named = measured(copy)
    assert abs(error) < 0.03
    assert named["frame_obstructed"] == "008.png"


@pytest.mark.slow
def test_sharpened_pictures_are_recognised_and_keep_their_number() -> None:
    _, error, named = found("foreign-7")
    assert abs(error) < 0.1
    assert "sharpened" in named


@pytest.mark.slow
@pytest.mark.parametrize("by_px", [(4.0, -3.0), (-6.0, 5.0)])
def test_a_star_is_found_from_a_rough_pointing(by_px: tuple[float, float]) -> None:
    truth = json.loads((REFERENCE / "foreign-1" / "truth.json").read_text(encoding="utf-8"))
    star = truth["star"]
    x, y = star["centre_px"]
    own = OwnStar(
        centre_px=(x + by_px[0], y + by_px[1]), radius_px=1.06 * star["radius_px"], spokes=star["spokes"]
    )
    document = measure(REFERENCE / "foreign-1", looked_at=LookedAt(star=own)).document
    assert document["best_um"] == pytest.approx(truth["best_um"], abs=0.05)
