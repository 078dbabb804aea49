"""A unit's drift as pages, the command line and the interface show it. [µm, short < 0 < deep]"""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftRow:
    """One sign-off of a unit, oldest first, and the charts after it.

    ``expected_um``, ``expected_sd_um``: by the sign-offs before it; ``surprise``: the innovation, in its
    standard uncertainty; ``average``, ``limit``: moving average and its half
    width; ``deep_sum``, ``short_sum``: the cumulative sums. None if there was nothing to compare.
    """

    prep_id: str
    prep_title: str
    signed_at: datetime
    epoch: int
    error_um: float
    sd_um: float
    error_words: str
    expected_um: float | None = None
    expected_sd_um: float | None = None
    surprise: float | None = None
    average: float | None = None
    limit: float | None = None
    deep_sum: float | None = None
    short_sum: float | None = None
    is_beyond: bool = False
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftView:
    """Whether a unit drifts.

    ``state``: ``unsigned``, ``too_few``, ``steady``, ``drifts_short`` or ``drifts_deep``. ``headline``: its
    sentence; ``advice``: what to do; ``limits``: how the charts are read. ``since``: the last sign-off
    that still agreed; ``rate_um`` a month with its standard uncertainty. ``sum_limit``: of both sums.
    ``rows`` hold every sign-off, ``sign_off_count`` those since the unit was last adjusted.
    """

    kind: str
    unit_id: str
    name: str
    state: str
    headline: str
    advice: tuple[str, ...]
    limits: str
    sum_limit: float
    sign_off_count: int
    since: datetime | None
    rate_um: float | None
    rate_sd_um: float | None
    rows: tuple[DriftRow, ...]
    adjusted: tuple[datetime, ...]

    @property
    def is_drifting(self) -> bool:
        """Whether the newest sign-off is beyond a limit."""
        return self.state.startswith("drifts")

    @property
    def has_chart(self) -> bool:
        """Whether there is an epoch with sign-offs enough to draw."""
        return any(row.average is not None for row in self.rows)
