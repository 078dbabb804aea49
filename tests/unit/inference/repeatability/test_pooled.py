"""Repeatability, against NIST's pooled example and certified sets and the AIAG study."""

import csv
import json
import math
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwise.errors import InferenceError
from shimwise.inference.repeatability.pooled import (
    Repeats,
    gauge_study,
    person_k,
    pool,
    pooled_repeatability,
)

REFERENCE = Path(__file__).parents[3] / "reference"
MEASUREMENT = json.loads((REFERENCE / "measurement.json").read_text(encoding="utf-8"))
WAFERS = MEASUREMENT["repeatability_pooling_nist_2_4_4"]
STUDY = MEASUREMENT["gauge_rr_aiag"]
VALUES = [STUDY["data_appraiser_part_trial"][person] for person in "ABC"]


def test_pooling_repeats_the_example_of_the_handbook() -> None:
    found = pool(WAFERS["SS"], WAFERS["df"])
    assert found.degrees == WAFERS["printed"]["df"]
    assert found.sd == pytest.approx(WAFERS["printed"]["s1"], abs=0.00005)


@pytest.mark.parametrize(("name", "digits"), [("SiRstv", 12), ("SmLs01", 12), ("SmLs04", 8)])
def test_the_certified_residual_sd_of_the_nist_sets_is_found(name: str, digits: int) -> None:
    # SmLs04 is built to break naive sums of squares: its data have seven leading digits in common.
    groups: dict[str, list[float]] = defaultdict(list)
    with (REFERENCE / f"strd_{name}.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            group, value = row.values()
            groups[group].append(float(value))
    found = pooled_repeatability(list(groups.values()))
    certified = MEASUREMENT[f"strd_{name}"]["certified"]
    assert found.degrees == certified["within"]["df"]
    assert found.sd == pytest.approx(float(certified["residual_sd"]), rel=10.0**-digits)


def test_gauge_study_repeats_the_example_of_the_manual() -> None:
    found, printed = gauge_study(VALUES), STUDY["printed"]
    assert found.repeatability_sd == pytest.approx(printed["EV"], abs=5e-7)
    assert found.reproducibility_sd == pytest.approx(printed["AV"], abs=6e-7)
    assert found.gauge_sd == pytest.approx(printed["GRR"], abs=2e-6)
    assert found.part_sd == pytest.approx(printed["PV"], abs=6e-7)
    assert found.total_sd == pytest.approx(STUDY["computed"]["TV"], abs=5e-9)
    assert found.gauge_percent == pytest.approx(printed["pct_GRR"], abs=0.05)
    assert found.interaction_f == pytest.approx(printed["interaction_F"], abs=0.0005)
    assert found.interaction_p == pytest.approx(printed["interaction_p"], abs=0.00005)
    assert not found.is_interaction_kept


def test_components_of_a_simulated_study_are_found() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(300):
        parts, persons = rng.normal(0, 5, 12), rng.normal(0, 2, 8)
        joint = rng.normal(0, 3, (8, 12))
        base = persons[:, None] + parts + joint
        found.append(gauge_study(base[:, :, None] + rng.normal(0, 1, (8, 12, 3))))
    assert np.mean([one.repeatability_sd**2 for one in found]) == pytest.approx(1, rel=0.05)
    assert np.mean([one.reproducibility_sd**2 for one in found]) == pytest.approx(4 + 9, rel=0.08)
    assert np.mean([one.part_sd**2 for one in found]) == pytest.approx(25, rel=0.08)
    assert all(one.is_interaction_kept for one in found)


@given(st.floats(-1e4, 1e4), st.floats(0.1, 100))
def test_a_study_moves_with_its_unit_and_not_with_its_zero(zero: float, unit: float) -> None:
    plain = gauge_study(VALUES)
    moved = gauge_study(zero + unit * np.asarray(VALUES))
    assert moved.gauge_sd == pytest.approx(unit * plain.gauge_sd, rel=1e-6)
    assert moved.part_sd == pytest.approx(unit * plain.part_sd, rel=1e-6)


def _sightings(rng: np.random.Generator, k: float, count: int, *, blunders: float) -> list[Repeats]:
    found = []
    for _ in range(count):
        blur_um = float(rng.choice([40.0, 56.0]))
        landings = rng.normal(rng.normal(0, 20), k * blur_um, 3) + rng.normal(0, 2, 3)
        landings += np.where(rng.random(3) < blunders, rng.choice([-60, 60], 3), 0)
        found.append(Repeats(landings_um=tuple(landings), blur_um=blur_um, reading_sd_um=1.6))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("k", [0.1, 0.2, 0.3])
def test_a_persons_k_is_found_among_blunders(k: float) -> None:
    rng = np.random.default_rng(int(1000 * k))
    answers = [person_k(_sightings(rng, k, 30, blunders=0.07)) for _ in range(60)]
    # a t of ν = 4 has the same middle as a normal of 1.06 times its scale; blunders widen what is left
    assert np.mean([one.k for one in answers]) == pytest.approx(k, rel=0.15)
    # the guard: an ordinary pooled sd is carried away by the same blunders
    plain = [
        pooled_repeatability(
            [[z / one.blur_um for z in one.landings_um] for one in _sightings(rng, k, 30, blunders=0.07)]
        )
        for _ in range(60)
    ]
    assert np.mean([one.sd for one in plain]) > 1.3 * k


@pytest.mark.slow
def test_more_repeats_leave_a_narrower_interval_that_holds() -> None:
    rng = np.random.default_rng(12)
    few = [person_k(_sightings(rng, 0.2, 5, blunders=0.0)) for _ in range(100)]
    many = [person_k(_sightings(rng, 0.2, 60, blunders=0.0)) for _ in range(100)]
    assert np.mean([one.sd for one in many]) < 0.5 * np.mean([one.sd for one in few])
    assert np.mean([one.low <= 0.2 <= one.high for one in few]) > 0.9
    assert few[0].degrees == 10


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: pooled_repeatability([[1.0], [2.0]]), "Nothing is repeated"),
        (lambda: pooled_repeatability([[1.0, math.inf]]), "A repeat is inf"),
        (lambda: pool([1.0], [2, 3]), "goes with its degrees"),
        (lambda: person_k([]), "k needs at least one sight read twice"),
        (
            lambda: person_k([Repeats(landings_um=(1, 2), blur_um=0, reading_sd_um=1)]),
            "N·c 0 µm",
        ),
        (lambda: gauge_study([[[1, 2], [1, 2]]]), "at least two persons"),
        (lambda: gauge_study([[[1, 2], [1, 2]], [[1, 2], [1]]]), "as often as the others"),
        (lambda: gauge_study([[[1], [1]], [[1], [1]]]), "two trials"),
        (lambda: gauge_study([[[1, 2], [1, 2]], [[1, 2], [1, math.nan]]]), "value of the study is nan"),
    ],
)
def test_studies_that_say_nothing_are_refused_in_words(call: Callable[[], object], words: str) -> None:
    with pytest.raises(InferenceError, match=words):
        call()
