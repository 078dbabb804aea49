"""Whether a unit drifts: each sign-off against what was expected of it, charted between two adjustments.

How sure a sign-off is differs from prep to prep, and its posterior holds what was known before it. So a
chart does not take errors as they were signed. What a prep alone said is taken out of its posterior
(:func:`told_alone`), set against what the sign-offs before it said of a unit that keeps still, and divided by
the standard uncertainty of that difference: a *surprise*, target 0, sd 1, independent of the others. The
wander that a memory allows for is not allowed for here: it is what a chart is to show.

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
from shimwise.inference.history.memory import DAYS_PER_MONTH
from shimwise.inference.model.checks import refuse_unless_finite

__all__ = ["LEAST_SIGN_OFFS", "SignedError", "Surprise", "Told", "UnitDrift", "chart", "told_alone"]

LEAST_SIGN_OFFS = 3
"""One to start from and two to compare: below that no chart is drawn. Chosen by us."""
LEAST_SHARE = 0.02
"""A prep that lowers the variance by less than this share of it said nothing. Chosen by us."""

SEAT_SD_UM = 1.0
"""By how much a still unit may seem to differ from prep to prep, beside what each is unsure of: a seat that
gives, warmth, another gauge. [µm] Chosen by us."""
SET_ASIDE_Z = 4.0
"""A posterior that lies further from its prior than chance takes it (1 in 16,000) was not made of it: the
judge sets aside what was remembered of a unit that was knocked. Chosen by us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What one prep alone says of a unit's error, with its standard uncertainty. [µm, short < 0 < deep]"""

    error_um: float
    sd_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedError:
    """A unit's error as it was signed, and what the prep alone said. [µm, short < 0 < deep]

    ``days``: time of the sign-off, from any zero [d]; ``alone`` is None where the prep told nothing new.
    """

    days: float
    error_um: float
    sd_um: float
    alone: Told | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Surprise:
    """A sign-off beside what was expected of it: ``place`` in the series, expectation [µm], surprise z."""

    place: int
    expected_um: float
    expected_sd_um: float
    z: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDrift:
    """The charts of one epoch; ``drift`` is None where there are too few sign-offs.

    ``is_beyond``: by surprise, whether either chart stands beyond its limits; ``sense``: −1 short, +1 deep, 0
    while the newest stands within. Then ``start`` is the surprise with which the move began, and ``rate_um``
    how fast it went since the sign-off before that, with its standard uncertainty from the preps alone; None
    where no time passed. [µm a month]
    """

    surprises: tuple[Surprise, ...]
    drift: Drift | None
    is_beyond: tuple[bool, ...] = ()
    sense: int = 0
    start: int | None = None
    rate_um: float | None = None
    rate_sd_um: float | None = None


def told_alone(*, before_um: float, before_sd_um: float, after_um: float, after_sd_um: float) -> Told | None:
    """What a prep alone said: the posterior with the prior taken out. [µm, short < 0 < deep]

    Parameters
    ----------
    before_um, before_sd_um : float
        What was known before, mean and sd.
    after_um, after_sd_um : float
        What was known after, mean and sd.

    Returns
    -------
    Told or None
        1/r² = 1/after² − 1/before², exact for normals; None where the prep left the unit no better known and
        where it was. The posterior as it stands where the prior can have had no part in it: it moved by more
        than ``SET_ASIDE_Z`` sds of such a move, √(before² − after²).

    Raises
    ------
    InferenceError
        When a number is not finite, or an sd not above 0.
    """
    _check(before_um, before_sd_um)
    _check(after_um, after_sd_um)
    gained = after_sd_um**-2 - before_sd_um**-2
    foreseen_um2 = max(before_sd_um**2 - after_sd_um**2, LEAST_SHARE * before_sd_um**2)
    if abs(after_um - before_um) > SET_ASIDE_Z * math.sqrt(foreseen_um2):
        return Told(error_um=after_um, sd_um=after_sd_um)
    if gained <= LEAST_SHARE * before_sd_um**-2:
        return None
    pull = after_um * after_sd_um**-2 - before_um * before_sd_um**-2
    return Told(error_um=pull / gained, sd_um=gained**-0.5)


def chart(series: Sequence[SignedError]) -> UnitDrift:
    """Chart a unit's sign-offs since it was last adjusted.

    The first is the reference: what was known after the adjustment. From then on each prep's own word is one
    surprise, beside the mean of those before it, each weighted by its own uncertainty.

    Parameters
    ----------
    series : sequence of SignedError
        Of one epoch, in time order.

    Raises
    ------
    InferenceError
        When a number cannot be, or times run backwards.
    """
    surprises = _surprises(series)
    if len(surprises) + 1 < LEAST_SIGN_OFFS:
        return UnitDrift(surprises=surprises, drift=None)
    drift = watch([one.z for one in surprises])
    is_beyond = tuple(_is_beyond(drift, i) for i in range(len(surprises)))
    if not is_beyond[-1]:
        return UnitDrift(surprises=surprises, drift=drift, is_beyond=is_beyond)
    sense, start = _move(drift)
    rate_um, rate_sd_um = _rate(series, surprises[start - 1].place if start else 0)
    return UnitDrift(
        surprises=surprises,
        drift=drift,
        is_beyond=is_beyond,
        sense=sense,
        start=start,
        rate_um=rate_um,
        rate_sd_um=rate_sd_um,
    )


def _surprises(series: Sequence[SignedError]) -> tuple[Surprise, ...]:
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
        found.append(Surprise(place=place, expected_um=mean, expected_sd_um=math.sqrt(variance), z=z))
        share = variance / (variance + own)
        mean, variance = mean + share * off_um, share * own
    return tuple(found)


def _is_beyond(drift: Drift, i: int) -> bool:
    sums, averages = drift.cusum, drift.ewma
    is_far = abs(averages.averages[i] - averages.target) > averages.half_width[i]
    return is_far or max(sums.high[i], sums.low[i]) > sums.limit


def _move(drift: Drift) -> tuple[int, int]:
    """Sense of the move that the newest value tells, and the surprise with which it began."""
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
    """Weighted straight line through what each prep alone said from one place on. [µm a month]

    The reference counts as it was signed: with all that was known after the adjustment.
    """
    reference = Told(error_um=series[0].error_um, sd_um=series[0].sd_um)
    words = [(one.days, one.alone if i else reference) for i, one in enumerate(series)][first:]
    days = [day for day, word in words if word is not None]
    told = [word for _, word in words if word is not None]
    weights = [one.sd_um**-2 for one in told]
    middle = math.fsum(w * day for w, day in zip(weights, days, strict=True)) / math.fsum(weights)
    spread = math.fsum(w * (day - middle) ** 2 for w, day in zip(weights, days, strict=True))
    if spread <= 0:
        return None, None
    lean = math.fsum(
        w * (day - middle) * one.error_um for w, day, one in zip(weights, days, told, strict=True)
    )
    return DAYS_PER_MONTH * lean / spread, DAYS_PER_MONTH * spread**-0.5


def _check(mean_um: float, sd_um: float) -> None:
    refuse_unless_finite([mean_um, sd_um], "A signed error")
    if sd_um <= 0:
        raise InferenceError(f"A signed error's sd is {sd_um:g} µm. It has to be above 0.")
