"""Re-checks, as pages, the interface and the command line show them: plain frozen values.

Microns at the sensor, short < 0 < deep; UTC times.
"""

from dataclasses import dataclass
from datetime import datetime

from shimwise.bench.prep.views import ReadingToTake


@dataclass(frozen=True, slots=True, kw_only=True)
class RecheckView:
    """The re-check of a unit after a move: what was read since, and what is still to be read.

    ``is_read``: enough lenses (bodies, of a lens) and distances were read since; ``is_done``: and the verdict
    is decided.
    """

    unit_id: str
    kind: str
    name: str
    adjustment_id: str
    reading_count: int
    other_count: int
    distance_count: int
    is_read: bool
    is_done: bool
    words: str
    readings: tuple[ReadingToTake, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """A unit before and after an adjustment; None if not known.

    ``before_half_um``, ``after_half_um``: half the 95 % interval, which need not be 1.96 sd.
    ``is_judged``: the latest verdict contains all readings; until then the fields after the move are None.
    ``change_um`` with ``change_sd_um``: the move itself, from readings with the same lenses (bodies, of a
    lens), whose own errors cancel. [µm, + away from the flange]
    """

    adjustment_id: str
    unit_id: str
    kind: str
    name: str
    made_by: str
    made_at: datetime
    action: str
    amount_um: float | None
    amount_sd_um: float | None
    turns: float | None
    before_um: float | None
    before_sd_um: float | None
    before_half_um: float | None
    after_um: float | None
    after_sd_um: float | None
    after_half_um: float | None
    after_verdict: str
    is_judged: bool
    change_um: float | None
    change_sd_um: float | None
    words: str
