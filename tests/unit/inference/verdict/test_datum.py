"""How well a body can be known at all, against closed forms for charts at infinity.

There, readings without end tell each sum body + lens exactly and nothing else. Given the body, each lens is
then known to be the rest, so that n lenses of prior sd s are n estimates of the body of sd s: precisions add.
"""

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from invented_benches import FAR_MM, bench, prep, reading
from scipy import stats

from shimwise.inference.model.assemble import build_model
from shimwise.inference.model.linear import BODY_SD_UM, LENS_SD_UM, Kind
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.posterior.robust import robust_posterior
from shimwise.inference.verdict.answer import Z95
from shimwise.inference.verdict.datum import GAUGE_SD_UM, KNOWN_LENS_SD_UM, Datum, body_limits

HALF_95 = float(stats.norm.ppf(0.975))


def limits_of(subject: Prep) -> dict[str, Datum]:
    model, candidates = build_model(subject)
    return {limit.body: limit for limit in body_limits(model, candidates)}


def at_infinity(
    count: int,
    *,
    names: tuple[str, ...] = ("B1",),
    bodies: Mapping[str, BodyKnowledge] | None = None,
    lenses: Mapping[str, LensKnowledge] | None = None,
) -> Prep:
    pairs = [(body, f"L{i}") for body in names for i in range(count)]
    return prep(
        *(reading(i, body=body, lens=lens, distance_mm=FAR_MM) for i, (body, lens) in enumerate(pairs)),
        bodies=bodies,
        lenses=lenses,
    )


def half_width_um(*precisions: float) -> float:
    return HALF_95 / math.sqrt(sum(precisions))


def test_the_95_percent_factor_is_the_normal_distributions() -> None:
    assert pytest.approx(HALF_95, abs=1e-6) == Z95


@pytest.mark.parametrize("count", [1, 2, 6, 12])
def test_one_body_is_known_no_better_than_its_unknown_lenses_allow(count: int) -> None:
    body, lens = BODY_SD_UM**-2, LENS_SD_UM**-2
    gauge, known = GAUGE_SD_UM**-2, KNOWN_LENS_SD_UM**-2
    limit = limits_of(at_infinity(count))["B1"]
    # readings without end are taken as 0.05 µm each: hence the relative tolerance
    assert limit.limit_um == pytest.approx(half_width_um(body, count * lens), rel=1e-4)
    assert limit.with_gauge_um == pytest.approx(half_width_um(body, count * lens, gauge), rel=1e-4)
    assert limit.with_known_lens_um == pytest.approx(
        half_width_um(body, (count - 1) * lens, lens + known), rel=1e-3
    )


def test_six_unknown_lenses_never_give_5_um() -> None:
    # 1.96/√(1/15² + 6/12²) = 9.13 µm, and the same with a gauge of 3 µm: 4.95.
    limit = limits_of(at_infinity(6))["B1"]
    assert round(limit.limit_um, 2) == 9.13
    assert round(limit.with_gauge_um, 2) == 4.94


def test_lenses_of_known_history_lower_the_limit() -> None:
    told = {f"L{i}": LensKnowledge(history_mean_um=0.0, history_sd_um=5.0) for i in range(4)}
    limit = limits_of(at_infinity(4, lenses=told))["B1"]
    assert limit.limit_um == pytest.approx(half_width_um(BODY_SD_UM**-2, 4 / 25), rel=1e-3)


def test_a_gauge_that_was_taken_is_in_the_limit_already() -> None:
    told = {"B1": BodyKnowledge(gauge_um=4.0, gauge_sd_um=GAUGE_SD_UM)}
    assert limits_of(at_infinity(3, bodies=told))["B1"].limit_um == pytest.approx(
        limits_of(at_infinity(3))["B1"].with_gauge_um, rel=1e-9
    )


def test_a_second_body_on_the_same_lenses_helps_the_first() -> None:
    # Their difference is known exactly, so that one body's prior serves the other too.
    limits = limits_of(at_infinity(4, names=("B1", "B2")))
    expected = half_width_um(2 * BODY_SD_UM**-2, 4 * LENS_SD_UM**-2)
    assert [limits[name].limit_um for name in ("B1", "B2")] == pytest.approx([expected] * 2, rel=1e-3)


def test_bodies_that_share_no_lens_do_not_help_each_other() -> None:
    alone = limits_of(prep(reading(distance_mm=FAR_MM)))["B1"]
    both = limits_of(prep(reading(distance_mm=FAR_MM), reading(1, body="B2", lens="L2", distance_mm=FAR_MM)))[
        "B1"
    ]
    assert both.limit_um == pytest.approx(alone.limit_um, rel=1e-9)
    assert both.with_known_lens_um == pytest.approx(alone.with_known_lens_um, rel=1e-6)


def test_near_charts_reach_no_further_than_charts_at_infinity() -> None:
    near = limits_of(prep(*bench(repeats=1)))["B1"].limit_um
    far = limits_of(at_infinity(3))["B1"].limit_um
    assert far <= near < 1.1 * far


def test_candidates_count_as_readings_without_end() -> None:
    rows = at_infinity(5).readings
    model, candidates = build_model(Prep(readings=()), candidates=rows)
    (limit,) = body_limits(model, candidates)
    assert limit.limit_um == pytest.approx(limits_of(at_infinity(5))["B1"].limit_um, rel=1e-9)


@pytest.mark.usefixtures("normal_errors")
def test_readings_in_their_thousands_come_close_to_the_limit_and_not_below() -> None:
    rows = at_infinity(3).readings
    many = tuple(replace(r, row=i) for i, r in enumerate(rows * 2000))
    model, candidates = build_model(prep(*many))
    (limit,) = body_limits(model, candidates)
    reached = HALF_95 * float(robust_posterior(model).sd[model.index(Kind.BODY, "B1")])
    assert limit.limit_um < reached < 1.01 * limit.limit_um


def test_help_that_is_offered_is_help() -> None:
    for limit in limits_of(prep(*bench(bodies_um={"B1": 0.0, "B2": 0.0}))).values():
        assert 0 < limit.with_gauge_um < limit.limit_um
        assert 0 < limit.with_known_lens_um < limit.limit_um
        assert limit.with_gauge_um < HALF_95 * GAUGE_SD_UM
        assert np.isfinite([limit.limit_um, limit.with_known_lens_um]).all()
