"""How exactly a house's people set a ring to its mark: learned from landings by picture of the same sight.

Where one lens on one body is measured by picture at one distance with the ring set anew, all that differs is
how the ring was set, and the picture. So nothing need be known of body, lens or tape.
"""

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.prep import SEATING_SD_UM, MeasuredLanding, Prep
from shimwise.optics.ring_setting import SETTING_SD_MM, ring_setting_sd_um

LOG_SD = 0.6
"""Standard uncertainty of the logarithm of a house's spread before it has taught its own: .2 to 1.9 mm;
chosen."""
LEAST_UM = 3.0
"""A sight teaches where the usual spread is so much at the sensor: on wide ones the seat would be learned."""
GROSS = 15.0
"""Settings of a sight that lie farther apart, in usual spreads, were not all set to the same mark."""
GRID: FloatArray = np.exp(np.linspace(math.log(0.02), math.log(20.0), 400))

_Sight: TypeAlias = tuple[str, str, float, float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingSpread:
    """Spread (sd) of a setting in object space at 3 ft with its 95 % interval. [mm]

    ``settings`` of ``sights``: what it was learned from.
    """

    sd_mm: float
    low_mm: float
    high_mm: float
    settings: int
    sights: int


def setting_spread(preps: Iterable[Prep], *, usual_mm: float = SETTING_SD_MM) -> SettingSpread | None:
    """Return the spread of setting a ring as repeats show it; None without a repeat.

    Of each sight the mean is free (restricted likelihood); the spread's logarithm is normal about the usual
    one beforehand. A sight is of one prep: units are read anew in another, and may have changed.

    Parameters
    ----------
    preps : iterable of Prep
        Units under names that differ before and after an adjustment.
    usual_mm : float
        Spread that is assumed before the house teaches its own. [mm]
    """
    log_likelihood = np.zeros_like(GRID)
    settings = sights = 0
    for prep in preps:
        for sight, means in _by_sight(prep.landings).items():
            per_mm = ring_setting_sd_um(focal_mm=sight[2], distance_mm=sight[3], setting_sd_mm=1.0)
            values, own = np.array([one[0] for one in means]), np.array([one[1] for one in means])
            reach = GROSS * math.hypot(usual_mm * per_mm, math.sqrt(float(own.max())))
            if len(means) < 2 or usual_mm * per_mm < LEAST_UM or float(np.ptp(values)) > reach:
                continue
            log_likelihood += _restricted(values, own, per_mm)
            settings, sights = settings + len(means), sights + 1
    if not sights:
        return None
    weight = log_likelihood - 0.5 * (np.log(GRID / usual_mm) / LOG_SD) ** 2
    share = np.cumsum(np.exp(weight - weight.max()))
    low, middle, high = (float(np.interp(p, share / share[-1], GRID)) for p in (0.025, 0.5, 0.975))
    return SettingSpread(sd_mm=middle, low_mm=low, high_mm=high, settings=settings, sights=sights)


def _by_sight(landings: Iterable[MeasuredLanding]) -> dict[_Sight, list[tuple[float, float]]]:
    """Return of each sight its settings' mean landings [µm], and their variances by the picture [µm²]."""
    found: dict[_Sight, dict[str, list[tuple[float, float]]]] = defaultdict(lambda: defaultdict(list))
    for one in landings:
        if one.setting and math.isfinite(one.distance_mm):
            sight = (one.body, one.lens, one.focal_mm, one.distance_mm, str(one.axis or ""))
            picture_um2 = max(one.sd_um**2 - SEATING_SD_UM**2, 1e-4)
            found[sight][one.setting].append((one.landing_um, picture_um2))
    return {sight: [_mean(each) for each in settings.values()] for sight, settings in found.items()}


def _mean(repeats: list[tuple[float, float]]) -> tuple[float, float]:
    value, variance = np.array(repeats).T
    total = float(np.sum(1.0 / variance))
    return float(np.sum(value / variance)) / total, 1.0 / total


def _restricted(values: FloatArray, own_um2: FloatArray, per_mm: float) -> FloatArray:
    """Return the restricted log likelihood of each spread of the grid, the mean of the values being free."""
    variance = own_um2 + (GRID[:, None] * per_mm) ** 2
    precision = 1.0 / variance
    total = precision.sum(1)
    mean = (precision @ values) / total
    squares = (precision * (values - mean[:, None]) ** 2).sum(1)
    return np.asarray(-0.5 * (np.log(variance).sum(1) + np.log(total) + squares))
