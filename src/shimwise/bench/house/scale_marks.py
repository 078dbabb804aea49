"""The engraved distances of a lens's scale as they are written and typed: ``2'|3'|4'|6'|10'|INF``."""

import re
from collections.abc import Callable, Sequence
from functools import partial

from shimwise.bench.typed_lengths import typed_distance
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text

SEPARATOR = "|"
_BETWEEN = re.compile(r"[|;]|(?<![0-9]),|,(?![0-9])")
_METRIC = tuple(partial(mm_to_metric_text, resolution_mm=step_mm) for step_mm in (1.0, 0.1))
_WRITERS: dict[str, tuple[Callable[[float], str], ...]] = {
    "ft": (mm_to_feet_text, *_METRIC),
    "m": (*_METRIC, mm_to_feet_text),
}


def mark_text(mark_mm: float, scale_unit: str = "ft") -> str:
    """Return a mark in its scale's unit (``ft``, ``m``) where exact, else in the other, else in mm."""
    for write in _WRITERS[scale_unit]:
        text = write(mark_mm)
        if typed_distance(text).mm == mark_mm:
            return text
    return f"{mark_mm!r} mm"


def marks_text(marks_mm: Sequence[float], scale_unit: str = "ft", *, separator: str = SEPARATOR) -> str:
    """Return the marks of a scale as :func:`typed_marks` reads them."""
    return separator.join(mark_text(mark_mm, scale_unit) for mark_mm in marks_mm)


def typed_marks(text: str) -> tuple[float, ...]:
    """Read the marks of a scale, with ``|``, semicolons or commas between them. [mm, infinite allowed]

    A comma between two figures is a decimal comma.

    Raises
    ------
    InputError
        If one of them is no length.
    """
    return tuple(typed_distance(part, field="marks_mm").mm for part in _BETWEEN.split(text) if part.strip())
