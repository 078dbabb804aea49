"""The decision rule, against the examples of JCGM 106 and its own promises."""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from shimwise.errors import InferenceError
from shimwise.inference.posterior.mixtures import outside
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.decision import ACCEPT_P, decide, guard_band

MEASUREMENT = json.loads(
    (Path(__file__).parents[3] / "reference" / "measurement.json").read_text(encoding="utf-8")
)


def outside_1(value: float, sd: float, limit: float) -> tuple[float, float]:
    """Probabilities below and above ±limit of one normal."""
    below, above = outside(np.ones(1), np.array([[value]]), np.array([[sd]]), np.array([limit]))
    return float(below[0]), float(above[0])


@pytest.mark.parametrize("row", MEASUREMENT["jcgm106_conformity"], ids=lambda row: row["name"])
def test_the_risks_agree_with_the_examples_of_jcgm_106_clause_7(row: dict[str, Any]) -> None:
    # Numbers of the standard from memory (tests/reference/README.md item 6); p recomputed there with scipy.
    low, high, y, sd = row.get("TL"), row.get("TU"), row["y"], row["u"]
    below = 0.0 if low is None else outside_1(y - low - 1.0, sd, 1.0)[0]
    above = 0.0 if high is None else outside_1(y - high + 1.0, sd, 1.0)[1]
    assert 1 - below - above == pytest.approx(row["p_conform"], abs=1e-7)
    assert round(1 - below - above, 3) == row["printed"]


@pytest.mark.parametrize("row", MEASUREMENT["conformity_computed"], ids=str)
def test_the_risks_within_a_tolerance_agree_with_scipy(row: dict[str, Any]) -> None:
    p_out = sum(outside_1(row["y_um"], row["u_um"], row["tol_um"]))
    assert 1 - p_out == pytest.approx(row["p_conform"], abs=1e-9)


@pytest.mark.parametrize("sd", [0.0, -1.0, math.nan])
def test_a_standard_uncertainty_that_is_none_is_refused(sd: float) -> None:
    with pytest.raises(InferenceError, match=r"standard uncertainty of (0|-1|nan) is no uncertainty"):
        guard_band(sd=sd)


def test_guard_band_of_a_5_percent_risk_is_the_tabled_multiple_of_the_uncertainty() -> None:
    # JCGM 106:2012 clause 8.3.3, w = r·U (from memory); multiplier computed with scipy.
    row = MEASUREMENT["guard_band"]
    assert guard_band(sd=1.0, risk=0.05) == pytest.approx(row["one_sided_5pct_guard_in_u"], abs=1e-6)
    assert guard_band(sd=4.0) / (2 * 4.0) == pytest.approx(row["in_U_k2"], abs=1e-6)


@given(st.floats(0.01, 50), st.floats(0.001, 0.45))
def test_at_the_acceptance_limit_the_risk_is_the_one_asked_for(sd: float, risk: float) -> None:
    acceptance = 100.0 - guard_band(sd=sd, risk=risk)
    assert outside_1(acceptance, sd, 100.0)[1] == pytest.approx(risk, abs=1e-9)


@pytest.mark.parametrize("risk", [0.0, 0.5, 1.0, -0.1, math.nan])
def test_a_risk_without_a_guard_band_is_refused(risk: float) -> None:
    with pytest.raises(InferenceError, match=r"leaves no guard band. It has to lie between 0 and 0.5"):
        guard_band(sd=1.0, risk=risk)


@pytest.mark.parametrize(
    ("below", "above", "sd_um", "is_read", "verdict"),
    [
        (0.0, 0.9, 3.0, False, Verdict.NOT_CHECKED),
        (0.9, 0.0, 3.0, True, Verdict.OUT_SHORT),
        (0.0, 0.9, 3.0, True, Verdict.OUT_DEEP),
        (0.80, 0.0, 3.0, True, Verdict.OUT_SHORT),
        (0.0, 0.80, 3.0, True, Verdict.OUT_DEEP),
        (0.9, 0.0, 12.0, True, Verdict.OUT_SHORT),
        (0.0, 0.79, 3.0, True, Verdict.CANNOT_TELL),
        (0.025, 0.025, 4.9, True, Verdict.IN_TOLERANCE),
        (0.03, 0.03, 4.9, True, Verdict.CANNOT_TELL),
        (0.025, 0.025, 5.0, True, Verdict.CANNOT_TELL),
        (0.10, 0.10, 6.0, True, Verdict.CANNOT_TELL),
        (0.20, 0.10, 6.0, True, Verdict.CANNOT_TELL),
        (0.10, 0.19, 6.0, True, Verdict.CANNOT_TELL),
    ],
)
def test_every_branch_of_the_rule(
    below: float, above: float, sd_um: float, is_read: bool, verdict: Verdict
) -> None:
    found = decide(p_below=below, p_above=above, sd_um=sd_um, tolerance_um=10.0, is_read=is_read)
    assert found is verdict


NORMALS = (st.floats(-40, 40), st.floats(0.1, 14.9), st.floats(1, 20))


def verdict_of(mean_um: float, sd_um: float, tolerance_um: float) -> Verdict:
    below, above = (float(stats.norm.cdf((-tolerance_um - s * mean_um) / sd_um)) for s in (1, -1))
    return decide(p_below=below, p_above=above, sd_um=sd_um, tolerance_um=tolerance_um, is_read=True)


@given(*NORMALS)
def test_in_tolerance_keeps_the_guard_band_of_jcgm_106(
    mean_um: float, sd_um: float, tolerance_um: float
) -> None:
    if verdict_of(mean_um, sd_um, tolerance_um) is Verdict.IN_TOLERANCE:
        assert abs(mean_um) <= tolerance_um - guard_band(sd=sd_um, risk=ACCEPT_P) + 1e-9
        assert sd_um < tolerance_um / 2


@given(st.floats(0.05, 4.99), st.sampled_from([-1, 1]))
def test_a_unit_sharply_known_at_15_um_is_always_called_out_and_never_passed(sd_um: float, side: int) -> None:
    # Φ(5 / 4.99) = 0.84: beyond the call-out for every sd that is sharp enough for a pass.
    assert verdict_of(15.0 * side, sd_um, 10.0) is (Verdict.OUT_DEEP if side > 0 else Verdict.OUT_SHORT)


@given(st.floats(-6, 6), st.floats(0.05, 14.9))
def test_a_unit_estimated_within_its_tolerance_is_not_called_out(mean_um: float, sd_um: float) -> None:
    # For a prior sd of at most 15 µm and the usual ±10 µm.
    assert verdict_of(mean_um, sd_um, 10.0) not in (Verdict.OUT_SHORT, Verdict.OUT_DEEP)


@given(*NORMALS)
def test_a_mirrored_unit_gets_the_mirrored_verdict(mean_um: float, sd_um: float, tolerance_um: float) -> None:
    mirrored = {Verdict.OUT_SHORT: Verdict.OUT_DEEP, Verdict.OUT_DEEP: Verdict.OUT_SHORT}
    found = verdict_of(mean_um, sd_um, tolerance_um)
    if abs(mean_um) > 1e-6:
        assert verdict_of(-mean_um, sd_um, tolerance_um) is mirrored.get(found, found)
