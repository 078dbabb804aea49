"""Whether a unit drifts: control charts over its preps, CUSUM and EWMA.

Both charts take values in time order that scatter about a target by a known standard deviation. For a unit's
history these are the standardised innovations of its preps, with target 0 and sd 1
(:mod:`shimwise.inference.history.unit_drift`).

References
----------
.. [1] NIST/SEMATECH *e-Handbook of Statistical Methods*, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
.. [2] E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100-115 (cited from memory).
.. [3] S. W. Roberts, "Control chart tests based on geometric moving averages", Technometrics 1 (1959) 239-250
   (cited from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shimwise.errors import InferenceError
from shimwise.inference.model.checks import refuse_unless_finite

SLACK_SDS = 0.5
"""Allowance of the CUSUM: half a shift of one sd, the shift it finds soonest (e-Handbook 6.3.2.3)."""
LIMIT_SDS = 5.0
"""Decision limit of the CUSUM: about 470 preps between false alarms (e-Handbook 6.3.2.3: 4 or 5)."""
EWMA_WEIGHT = 0.2
"""Weight of the newest value (e-Handbook 6.3.2.4: 0.2 to 0.3 as a rule)."""
EWMA_WIDTH_SDS = 3.0
"""Limits of the EWMA in standard deviations of its own (e-Handbook 6.3.2.4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    """Sums of excess above (``high``) and below (``low``) the target after each value. [the values' unit]"""

    high: tuple[float, ...]
    low: tuple[float, ...]
    limit: float

    @property
    def first_alarm(self) -> int | None:
        """Index of the first value at which a sum passes the limit; None if none does."""
        sums = zip(self.high, self.low, strict=True)
        return next((i for i, pair in enumerate(sums) if max(pair) > self.limit), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    """The moving average after each value and its half width of limits, in the values' unit.

    ``half_width`` grows to ``settled_half_width``: the average of few values scatters less than that of many.
    """

    target: float
    averages: tuple[float, ...]
    half_width: tuple[float, ...]
    settled_half_width: float

    @property
    def first_alarm(self) -> int | None:
        """Index of the first average beyond its limits; None if none is."""
        pairs = zip(self.averages, self.half_width, strict=True)
        return next((i for i, (value, limit) in enumerate(pairs) if abs(value - self.target) > limit), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Both charts of a unit, and whether either has raised an alarm up to its newest value."""

    cusum: Cusum
    ewma: Ewma

    @property
    def first_alarm(self) -> int | None:
        """Index of the first value at which either chart raises an alarm."""
        found = [one for one in (self.cusum.first_alarm, self.ewma.first_alarm) if one is not None]
        return min(found, default=None)

    @property
    def is_drifting(self) -> bool:
        """Whether an alarm has been raised."""
        return self.first_alarm is not None


def cusum(values: Sequence[float], *, target: float, slack: float, limit: float) -> Cusum:
    """Return cumulative sums of the excess over the target beyond a slack, in both directions.

    Parameters
    ----------
    values : sequence of float
        In time order.
    target : float
        Level that the values should keep.
    slack : float
        Allowance k subtracted from each excess. [0 or more, in the values' unit]
    limit : float
        Decision limit h. [above 0, in the values' unit]

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.3: S_hi(i) = max(0, S_hi(i−1) + x_i − target − k), S_lo alike.
    """
    refuse_unless_finite([*values, target], "A value of the chart")
    _check("The slack of the chart", slack, is_zero_allowed=True)
    _check("The limit of the chart", limit)
    high, low = [0.0], [0.0]
    for value in values:
        high.append(max(0.0, high[-1] + value - target - slack))
        low.append(max(0.0, low[-1] + target - slack - value))
    return Cusum(high=tuple(high[1:]), low=tuple(low[1:]), limit=limit)


def ewma(
    values: Sequence[float],
    *,
    target: float,
    sd: float,
    weight: float = EWMA_WEIGHT,
    width_sds: float = EWMA_WIDTH_SDS,
) -> Ewma:
    """Return the exponentially weighted moving average, started at the target, with its limits.

    Parameters
    ----------
    values : sequence of float
        In time order.
    target, sd : float
        Level that the values should keep, and their standard deviation about it. [the values' unit]
    weight : float
        Weight λ of the newest value. [above 0, at most 1]
    width_sds : float
        Half width of the limits in standard deviations of the average. [above 0]

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4; variance of the t-th average s²·λ/(2 − λ)·(1 − (1 − λ)^2t).
    """
    refuse_unless_finite([*values, target], "A value of the chart")
    _check("The standard deviation of the chart", sd)
    _check("The width of the chart's limits", width_sds)
    if not 0 < weight <= 1:
        raise InferenceError(f"The newest value's weight is {weight:g}. It has to be above 0 and at most 1.")
    averages = [target]
    for value in values:
        averages.append(weight * value + (1 - weight) * averages[-1])
    settled = width_sds * sd * math.sqrt(weight / (2 - weight))
    return Ewma(
        target=target,
        averages=tuple(averages[1:]),
        half_width=tuple(settled * math.sqrt(1 - (1 - weight) ** (2 * t)) for t in range(1, len(values) + 1)),
        settled_half_width=settled,
    )


def watch(innovations: Sequence[float]) -> Drift:
    """Chart a unit's standardised innovations, one a prep (target 0, sd 1)."""
    return Drift(
        cusum=cusum(innovations, target=0.0, slack=SLACK_SDS, limit=LIMIT_SDS),
        ewma=ewma(innovations, target=0.0, sd=1.0),
    )


def _check(what: str, value: float, *, is_zero_allowed: bool = False) -> None:
    if not (math.isfinite(value) and (value > 0 or (is_zero_allowed and value == 0))):
        raise InferenceError(
            f"{what} is {value:g}. It has to be {'0 or more' if is_zero_allowed else 'above 0'}."
        )
