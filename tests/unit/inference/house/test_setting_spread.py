"""How exactly rings are set, learned from repeats: against drawn truths, and what must teach nothing."""

import math
from collections.abc import Iterator

import numpy as np
import pytest

from shimwise.inference.house.setting_spread import LOG_SD, setting_spread
from shimwise.inference.model.prep import SEATING_SD_UM, MeasuredLanding, Prep

THREE_FT_MM, PICTURE_UM = 914.4, 1.0


def ring_um_per_mm(focal_mm: float, distance_mm: float) -> float:
    """Microns at the sensor for a millimetre at 3 ft, by Newton's law of conjugates."""
    beyond = distance_mm - 2 * focal_mm
    behind = (beyond - math.sqrt(beyond**2 - 4 * focal_mm**2)) / 2
    m = behind / focal_mm
    return 1e3 * (m * distance_mm / THREE_FT_MM) ** 2


def prep(
    sd_mm: float,
    random: np.random.Generator,
    *,
    sights: int = 4,
    settings: int = 3,
    repeats: int = 1,
    focal_mm: float = 100.0,
    distance_mm: float = THREE_FT_MM,
) -> Prep:
    def landings() -> Iterator[MeasuredLanding]:
        for sight in range(sights):
            truth_um = random.normal(0.0, 10.0)
            for setting in range(settings):
                set_um = random.normal(0.0, sd_mm * ring_um_per_mm(focal_mm, distance_mm))
                for _ in range(repeats):
                    yield MeasuredLanding(
                        row=0,
                        line=0,
                        body="A",
                        lens=f"L{sight}",
                        focal_mm=focal_mm,
                        fnumber=2.0,
                        distance_mm=distance_mm,
                        landing_um=truth_um + set_um + random.normal(0.0, PICTURE_UM),
                        sd_um=math.hypot(PICTURE_UM, SEATING_SD_UM),
                        setting=f"{setting}",
                    )

    return Prep(readings=(), landings=tuple(landings()))


@pytest.mark.slow
@pytest.mark.parametrize(("sd_mm", "preps"), [(0.6, 2), (0.2, 4), (1.5, 4), (0.4, 12)])
def test_the_interval_holds_the_truth_as_often_as_it_says(sd_mm: float, preps: int) -> None:
    random = np.random.default_rng(11)
    found = [setting_spread(prep(sd_mm, random) for _ in range(preps)) for _ in range(120)]
    held = np.mean([one is not None and one.low_mm <= sd_mm <= one.high_mm for one in found])
    middle = np.median([one.sd_mm for one in found if one is not None])
    assert held >= 0.9
    assert middle == pytest.approx(sd_mm, rel=0.15)


def test_a_few_repeats_hardly_move_the_usual_spread_and_many_do() -> None:
    random = np.random.default_rng(3)
    few = setting_spread([prep(0.15, random, sights=1, settings=2)])
    many = setting_spread(prep(0.15, random) for _ in range(20))
    assert few is not None
    assert many is not None
    assert few.settings == 2
    assert (few.low_mm, few.high_mm) == pytest.approx(
        (0.6 * math.exp(-1.96 * LOG_SD), 0.6 * math.exp(1.96 * LOG_SD)), rel=0.6
    )
    assert many.sd_mm == pytest.approx(0.15, rel=0.1)
    assert (many.settings, many.sights) == (240, 80)


def test_nothing_is_learned_without_a_setting_anew_on_wide_lenses_or_at_infinity() -> None:
    random = np.random.default_rng(5)
    assert setting_spread([prep(0.6, random, settings=1, repeats=5)]) is None
    assert setting_spread([prep(0.6, random, focal_mm=25.0)]) is None
    assert setting_spread([]) is None


def test_a_ring_on_a_wrong_mark_teaches_nothing() -> None:
    random = np.random.default_rng(6)
    good = prep(0.6, random, sights=6)
    wrong = prep(30.0, random, sights=6)
    alone, beside = setting_spread([good]), setting_spread([good, wrong])
    assert alone is not None
    assert beside is not None
    assert beside.sd_mm < 1.5 * alone.sd_mm
