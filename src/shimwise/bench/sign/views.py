"""Signing and checking again, as pages, the interface and the command line show it: plain frozen values.

Microns at the sensor, short < 0 < deep; UTC times.
"""

from dataclasses import dataclass
from datetime import datetime

__all__ = [
    "BeforeAfter",
    "ExceptionView",
    "RecheckReading",
    "RecheckView",
    "SignOffView",
    "Undecided",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Undecided:
    """A unit that stands in the way of a signature, and why; ``kind``: ``body`` or ``lens``."""

    unit_id: str
    kind: str
    name: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionView:
    """A unit that goes out undecided: the reason, and the name of whoever answers for it."""

    unit_id: str
    unit: str
    reason: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffView:
    """A signature. ``is_standing``: the prep has not been opened again since."""

    id: str
    prep_id: str
    revision: int
    signed_by: str
    signed_at: datetime
    digest: str
    digest_words: str
    exceptions: tuple[ExceptionView, ...]
    is_standing: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RecheckReading:
    """A reading to take after a move; ``setup_id`` is empty where that distance is not taped yet."""

    body_id: str
    body: str
    lens_id: str
    lens: str
    distance_mm: float
    distance_text: str
    setup_id: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecheckView:
    """What suffices to check a unit again after a move: what was read since, and what is still to be read.

    ``is_done``: enough lenses (bodies, of a lens) and distances were read since, and the verdict is decided.
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
    readings: tuple[RecheckReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """A unit before and after an adjustment, side by side; None where it is not known.

    ``is_judged``: the prep was judged as it stands; until then nothing is told of what is after.

    ``change_um`` with ``change_sd_um`` is what readings with the same lenses (bodies, of a lens) say of the
    move itself: what these have of their own cancels. [µm, + away from the flange]
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
    after_um: float | None
    after_sd_um: float | None
    after_verdict: str
    is_judged: bool
    change_um: float | None
    change_sd_um: float | None
    words: str
