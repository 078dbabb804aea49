"""Whether a unit drifts: each sign-off against its expectation, charted between two adjustments.

Preps differ in precision, and a posterior at sign-off contains what was known before. So a chart does not
use errors as they were signed: the prior is divided out of each posterior (:func:`prep_only_estimate`), the
result compared with the mean of the earlier preps and divided by the standard uncertainty of the difference.
That is an *innovation*: target 0, sd 1, independent of the others. The drift that the memory allows for is
not included: it is what the chart has to show.

References
----------
.. [1] NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.3.2 (charts of one variable), 6.3.2.3 (CUSUM; the
   sum's last zero is where the shift began) and 6.3.2.4 (EWMA).
.. [2] R. E. Kalman, "A new approach to linear filtering and prediction problems", J. Basic Eng. 82 (1960)
   35-45 (prediction, innovation and its variance; cited from memory).
.. [3] R. L. Brown, J. Durbin, J. M. Evans, "Techniques for testing the constancy of regression relationships
   over time", J. R. Stat. Soc. B 37 (1975) 149-192 (recursive residuals; cited from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from shimwise.errors import InferenceError
from shimwise.inference.history.control_charts import Drift, watch
from shimwise.inference.model.checks import refuse_unless_finite
from shimwise.inference.model.joint_memory import DAYS_PER_MONTH

LEAST_SIGN_OFFS = 3
"""One to start from and two to compare: below that no chart is drawn. Chosen by us."""
LEAST_SHARE = 0.02
"""A prep that lowers the variance by a smaller share carries no new information. Chosen by us."""

SEAT_SD_UM = 1.0
"""Scatter of an unchanged unit from prep to prep beyond its standard uncertainties: seat, temperature,
another gauge. [µm] Chosen by us."""
SET_ASIDE_Z = 4.0
"""A posterior farther from its prior than this (chance 1 in 16,000) was computed without that prior: the
judge drops the memory of a knocked unit. Chosen by us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepOnly:
    """A unit's error from one prep alone, with its standard uncertainty. [µm, short < 0 < deep]"""

    error_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedError:
    """A unit's error as it was signed, and that from the prep alone. [µm, short < 0 < deep]

    ``days``: time of the sign-off, from any zero [d]; ``alone`` is None if it carried no new information.
    """

    days: float
    error_um: float
    sd_um: float
    alone: PrepOnly | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Innovation:
    """Innovation ``z`` of the sign-off at ``place`` in the series, and its expectation. [µm]"""

    place: int
    expected_um: float
    expected_sd_um: float
    z: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDrift:
    """The charts of one epoch; ``drift`` is None if there are too few sign-offs.

    ``is_beyond``: for each innovation, whether either chart is beyond its limits. ``sense``: −1 short, +1
    deep, 0 while the newest is within. ``start``: index of the innovation with which the move began;
    ``rate_um`` and ``rate_sd_um``: its rate since the sign-off before that, from the preps alone; None if no
    time passed. [µm a month]
    """

    innovations: tuple[Innovation, ...]
    drift: Drift | None
    is_beyond: tuple[bool, ...] = ()
    sense: int = 0
    start: int | None = None
    rate_um: float | None = None
    rate_sd_um: float | None = None


def prep_only_estimate(
    *, before_um: float, before_sd_um: float, after_um: float, after_sd_um: float
) -> PrepOnly | None:
    """Return a posterior with its prior divided out. [µm, short < 0 < deep]

    Parameters
    ----------
    before_um, before_sd_um : float
        Prior mean and sd.
    after_um, after_sd_um : float
        Posterior mean and sd.

    Returns
    -------
    PrepOnly or None
        1/r² = 1/after² − 1/before², exact for normals; None if the prep carried no new information. The
        posterior itself if it cannot contain the prior: it moved by more than ``SET_ASIDE_Z`` sds of such a
        move, √(before² − after²).
    """
    _check(before_um, before_sd_um)
    _check(after_um, after_sd_um)
    gained = after_sd_um**-2 - before_sd_um**-2
    foreseen_um2 = max(before_sd_um**2 - after_sd_um**2, LEAST_SHARE * before_sd_um**2)
    if abs(after_um - before_um) > SET_ASIDE_Z * math.sqrt(foreseen_um2):
        return PrepOnly(error_um=after_um, sd_um=after_sd_um)
    if gained <= LEAST_SHARE * before_sd_um**-2:
        return None
    pull = after_um * after_sd_um**-2 - before_um * before_sd_um**-2
    return PrepOnly(error_um=pull / gained, sd_um=gained**-0.5)


def chart(series: Sequence[SignedError]) -> UnitDrift:
    """Chart a unit's sign-offs of one epoch, in time order.

    The first is the reference: the state after the adjustment. From then on each prep's own estimate is one
    innovation against the mean of those before it, each weighted by its own uncertainty.

    Raises
    ------
    InferenceError
        If a number is impossible, or times run backwards.
    """
    innovations = _innovations(series)
    if len(innovations) + 1 < LEAST_SIGN_OFFS:
        return UnitDrift(innovations=innovations, drift=None)
    drift = watch([one.z for one in innovations])
    is_beyond = tuple(_is_beyond(drift, i) for i in range(len(innovations)))
    if not is_beyond[-1]:
        return UnitDrift(innovations=innovations, drift=drift, is_beyond=is_beyond)
    sense, start = _move(drift)
    rate_um, rate_sd_um = _rate(series, innovations[start - 1].place if start else 0)
    return UnitDrift(
        innovations=innovations,
        drift=drift,
        is_beyond=is_beyond,
        sense=sense,
        start=start,
        rate_um=rate_um,
        rate_sd_um=rate_sd_um,
    )


def _innovations(series: Sequence[SignedError]) -> tuple[Innovation, ...]:
    if not series:
        return ()
    for one in series:
        _check(one.error_um, one.sd_um)
    if any(after.days < before.days for before, after in pairwise(series)):
        raise InferenceError("The sign-offs are not in the order of time. Sort them first.")
    mean, variance = series[0].error_um, series[0].sd_um ** 2 + SEAT_SD_UM**2
    found = []
    for place, one in enumerate(series[1:], 1):
        if one.alone is None:
            continue
        own = one.alone.sd_um**2 + SEAT_SD_UM**2
        off_um = one.alone.error_um - mean
        z = off_um / math.sqrt(variance + own)
        found.append(Innovation(place=place, expected_um=mean, expected_sd_um=math.sqrt(variance), z=z))
        share = variance / (variance + own)
        mean, variance = mean + share * off_um, share * own
    return tuple(found)


def _is_beyond(drift: Drift, i: int) -> bool:
    sums, averages = drift.cusum, drift.ewma
    is_far = abs(averages.averages[i] - averages.target) > averages.half_width[i]
    return is_far or max(sums.high[i], sums.low[i]) > sums.limit


def _move(drift: Drift) -> tuple[int, int]:
    """Return the sense of the newest move, and the innovation with which it began (the track's last zero)."""
    sums, averages = drift.cusum, drift.ewma.averages
    if max(sums.high[-1], sums.low[-1]) > sums.limit:
        is_deep = sums.high[-1] > sums.low[-1]
        track = sums.high if is_deep else sums.low
    else:
        is_deep = averages[-1] > drift.ewma.target
        track = tuple(value if is_deep else -value for value in averages)
    still = [i for i, value in enumerate(track) if value <= 0]
    return 1 if is_deep else -1, still[-1] + 1 if still else 0


def _rate(series: Sequence[SignedError], first: int) -> tuple[float | None, float | None]:
    """Return slope and sd of a weighted line through the preps' own estimates from one place on. [µm a month]

    The reference counts as it was signed, with all that was known after the adjustment.
    """
    reference = PrepOnly(error_um=series[0].error_um, sd_um=series[0].sd_um)
    estimates = [(one.days, one.alone if i else reference) for i, one in enumerate(series)][first:]
    days = [day for day, own in estimates if own is not None]
    alone = [own for _, own in estimates if own is not None]
    weights = [one.sd_um**-2 for one in alone]
    middle = math.fsum(w * day for w, day in zip(weights, days, strict=True)) / math.fsum(weights)
    spread = math.fsum(w * (day - middle) ** 2 for w, day in zip(weights, days, strict=True))
    if spread <= 0:
        return None, None
    lean = math.fsum(
        w * (day - middle) * one.error_um for w, day, one in zip(weights, days, alone, strict=True)
    )
    return DAYS_PER_MONTH * lean / spread, DAYS_PER_MONTH * spread**-0.5


def _check(mean_um: float, sd_um: float) -> None:
    refuse_unless_finite([mean_um, sd_um], "A signed error")
    if sd_um <= 0:
        raise InferenceError(f"A signed error's sd is {sd_um:g} µm. It has to be above 0.")
