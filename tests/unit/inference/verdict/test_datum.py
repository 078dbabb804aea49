"""How well a body can be known at all, against closed forms for charts at infinity.

There, readings without end tell each sum body + lens + eye exactly and nothing else: n lenses of prior
variance s² are n estimates of body + eye of variance s², and of it the body has its share. From three lenses
on the shift of the set is added to the eye.
"""

import math
from collections.abc import Mapping

import numpy as np
import pytest
from invented_benches import FAR_MM, bench, prep, reading
from scipy import stats

from shimwise.inference.model.design import build_mixture
from shimwise.inference.model.prep import BodyKnowledge, LensKnowledge, Prep
from shimwise.inference.model.priors import STARTING_LEVELS, Effect
from shimwise.inference.verdict.answer import Z95
from shimwise.inference.verdict.datum import GAUGE_SD_UM, HalfWidthLimit, body_limits

HALF_95 = float(stats.norm.ppf(0.975))


def limits_of(subject: Prep) -> dict[str, HalfWidthLimit]:
    return {limit.body: limit for limit in body_limits(build_mixture(subject))}


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


USUAL = {effect: STARTING_LEVELS[effect].usual_sd ** 2 for effect in Effect if effect in STARTING_LEVELS}
NC_UM = 40.0


def half_width_um(lenses: int, *, gauge_sd_um: float = math.inf) -> float:
    """Closed form for one body with lenses of unknown history, read by one eye at f/2."""
    shared = NC_UM**2 * USUAL[Effect.EYE] + (USUAL[Effect.SET] if lenses >= 3 else 0.0)
    seen = shared + USUAL[Effect.LENS] / lenses
    of_body = 1 / (1 / USUAL[Effect.BODY] + 1 / seen)
    return HALF_95 / math.sqrt(1 / of_body + gauge_sd_um**-2)


def test_the_95_percent_factor_is_the_normal_distributions() -> None:
    assert pytest.approx(HALF_95, abs=1e-6) == Z95


@pytest.mark.parametrize("count", [1, 2, 6, 12])
def test_one_body_is_known_no_better_than_its_unknown_lenses_and_its_eye_allow(count: int) -> None:
    limit = limits_of(at_infinity(count))["B1"]
    # readings without end are taken as 0.05 µm each: hence the relative tolerance
    assert limit.limit_um == pytest.approx(half_width_um(count), rel=1e-3)
    assert limit.with_gauge_um == pytest.approx(half_width_um(count, gauge_sd_um=GAUGE_SD_UM), rel=1e-3)


def test_lenses_of_known_history_lower_the_limit() -> None:
    told = {f"L{i}": LensKnowledge(history_mean_um=0.0, history_sd_um=2.0) for i in range(4)}
    assert limits_of(at_infinity(4, lenses=told))["B1"].limit_um < 0.8 * half_width_um(4)


def test_a_gauge_that_was_taken_is_in_the_limit_already() -> None:
    told = {"B1": BodyKnowledge(gauge_um=4.0, gauge_sd_um=GAUGE_SD_UM)}
    assert limits_of(at_infinity(3, bodies=told))["B1"].limit_um == pytest.approx(
        limits_of(at_infinity(3))["B1"].with_gauge_um, rel=1e-6
    )


def test_a_second_body_on_the_same_lenses_helps_the_first() -> None:
    # Their difference is known exactly, so that one body's prior serves the other too.
    limits = limits_of(at_infinity(4, names=("B1", "B2")))
    assert limits["B1"].limit_um == pytest.approx(limits["B2"].limit_um, rel=1e-6)
    assert limits["B1"].limit_um < 0.99 * half_width_um(4)


def test_bodies_that_share_no_lens_do_not_help_each_other() -> None:
    alone = limits_of(prep(reading(distance_mm=FAR_MM)))["B1"]
    both = limits_of(prep(reading(distance_mm=FAR_MM), reading(1, body="B2", lens="L2", distance_mm=FAR_MM)))[
        "B1"
    ]
    assert both.limit_um == pytest.approx(alone.limit_um, rel=2e-3)  # but for the eye that they share
    assert both.with_known_lens_um == pytest.approx(alone.with_known_lens_um, rel=2e-2)


def test_near_charts_reach_no_further_than_charts_at_infinity() -> None:
    near = limits_of(prep(*bench(repeats=1)))["B1"].limit_um
    far = limits_of(at_infinity(3))["B1"].limit_um
    assert far <= near < 1.1 * far


def test_candidates_count_as_readings_without_end() -> None:
    rows = at_infinity(5).readings
    (limit,) = body_limits(build_mixture(Prep(readings=()), candidates=rows))
    assert limit.limit_um == pytest.approx(limits_of(at_infinity(5))["B1"].limit_um, rel=1e-9)


def test_help_that_is_offered_is_help() -> None:
    for limit in limits_of(prep(*bench(bodies_um={"B1": 0.0, "B2": 0.0}))).values():
        assert 0 < limit.with_gauge_um < limit.limit_um
        assert 0 < limit.with_known_lens_um < limit.limit_um
        assert limit.with_gauge_um < HALF_95 * GAUGE_SD_UM
        assert np.isfinite([limit.limit_um, limit.with_known_lens_um]).all()
