"""Findings without a unit: a sum is out, and its parts cannot be separated.

Such a finding lists what is known and asks for what would settle it; no remedy follows from it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from shimwise.inference.verdict.answer import BodyAnswer, Verdict

OUT = (Verdict.OUT_SHORT, Verdict.OUT_DEEP)


class UnpartedKind(StrEnum):
    """What cannot be separated, and so what would separate it.

    ``pair``: a body and a lens (a second lens or body, or a gauge). ``eyes``: two persons (a third, a gauge
    or frames). ``bench``: all bodies, the whole set, or the one eye (a gauge, another set, frames).
    """

    PAIR = "pair"
    EYES = "eyes"
    BENCH = "bench"


@dataclass(frozen=True, slots=True, kw_only=True)
class Unparted:
    """A finding of some units together: amount, sd and 95 % interval.

    In µm (short < 0 < deep); of two eyes in shares of N·c, the first minus the second.
    """

    kind: UnpartedKind
    names: tuple[str, ...]
    amount: float
    sd: float
    low: float
    high: float


def unparted_pairs(
    pairs: Sequence[tuple[tuple[str, str], Verdict, Unparted]], units: Sequence[BodyAnswer]
) -> tuple[Unparted, ...]:
    """Pairs that are out while neither their body nor their lens is called out.

    Parameters
    ----------
    pairs : sequence of ((body, lens), verdict, finding)
        Those that were read together.
    units : sequence of BodyAnswer
        Bodies and lenses; names of bodies and lenses differ or are both meant.
    """
    called = {unit.name for unit in units if unit.verdict in OUT}
    return tuple(
        finding for names, verdict, finding in pairs if verdict in OUT and not called.intersection(names)
    )
