"""Set-ups that were taped anew: the later one of the same body and distance takes the place of the first."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from shimwise.inference.model.judged_names import present_name
from shimwise.inference.model.prep import MeasuredLanding, Reading
from shimwise.inference.verdict.answer import SetupAnswer

SAME_MM = 1.0
"""Distances nearer to each other than this are one distance. [mm]"""
LIKELY = 0.5
"""A set-up that is wrong with a higher probability replaces nothing."""


@dataclass(frozen=True, slots=True)
class _Taped:
    body: str
    distance_mm: float
    first_row: int
    last_row: int


def with_replaced(
    setups: Sequence[SetupAnswer],
    evidence: Sequence[Reading | MeasuredLanding],
    names: Sequence[str],
) -> tuple[SetupAnswer, ...]:
    """Return the set-ups, each with the one that replaced it: read only after its last reading.

    ``names`` are those of the set-ups of ``evidence``, in the same order.
    """
    taped: dict[str, _Taped] = {}
    for one, name in zip(evidence, names, strict=True):
        if not isinstance(one, Reading):
            continue
        known = taped.get(name, _Taped(one.body, one.distance_mm, one.row, one.row))
        first, last = min(known.first_row, one.row), max(known.last_row, one.row)
        taped[name] = replace(known, first_row=first, last_row=last)
    sound = {one.name for one in setups if one.p_out <= LIKELY}
    return tuple(replace(one, replaced_by=_later(one.name, taped, sound)) for one in setups)


def _later(name: str, taped: dict[str, _Taped], sound: set[str]) -> str:
    old = taped.get(name)
    if old is None:
        return ""
    return next(
        (
            other
            for other, new in taped.items()
            if other in sound
            and present_name(new.body) == present_name(old.body)  # an adjustment in between changes neither
            and abs(new.distance_mm - old.distance_mm) < SAME_MM
            and new.first_row > old.last_row
        ),
        "",
    )
