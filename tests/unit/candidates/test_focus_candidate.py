"""The candidate for the through-focus estimator on pictures made apart, by an image former of its own."""

import json
from pathlib import Path

import pytest
from benchmarks.candidates.focus.measure import measure_star

FOLDER = Path(__file__).parents[2] / "reference" / "foreign-1"


def test_best_focus_of_a_perfect_lens_is_found_and_its_interval_holds() -> None:
    truth = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    star = truth["star"]
    found = measure_star(
        FOLDER, centre_px=tuple(star["centre_px"]), radius_px=star["radius_px"], spokes=star["spokes"]
    )
    # The paraxial law of the estimator in force is off by .3 µm here.
    assert found.best_um == pytest.approx(truth["best_um"], abs=0.02)
    assert found.low_um < truth["best_um"] < found.high_um
    assert found.high_um - found.low_um < 0.5
    assert found.flags == ()
