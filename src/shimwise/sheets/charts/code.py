"""A chart's id, and the short code that carries the whole chart in its QR square.

The code holds the plan's numbers, so that a picture of the sheet is enough to know its layout to the
hundredth of a millimetre, without any list of charts: ``SHIMWISE 1 <id> <plan in steps of 0.05 mm>``.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.charts.layout import layout_of
from shimwise.sheets.charts.plan import STEP_MM, ChartPlan, SpokeKind

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Digits and capitals without I, L, O and U, which are misread."""
ID_LETTERS = 8
PREFIX = "SHIMWISE 1"
LENGTHS = (
    "width_mm",
    "height_mm",
    "field_width_mm",
    "field_height_mm",
    "radius_mm",
    "small_radius_mm",
    "marker_mm",
    "square_mm",
)
COUNTS = ("stars", "spokes", "small_spokes")
KINDS = {"B": SpokeKind.BINARY, "S": SpokeKind.SINUSOIDAL}


def chart_id(layout: dict[str, Any]) -> str:
    """Short digest of a layout: equal for equal layouts only, whatever the order of its names."""
    bare = {key: value for key, value in layout.items() if key != "id"}
    canonical = json.dumps(bare, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    number = int.from_bytes(hashlib.sha256(canonical.encode("ascii")).digest()[:5], "big")
    letters = (ALPHABET[(number >> shift) & 31] for shift in range(35, -1, -5))
    return "".join(letters)


def plan_to_code(plan: ChartPlan) -> str:
    """Write a plan as the text of its QR square: capitals and digits only."""
    kind = next(letter for letter, kind in KINDS.items() if kind is plan.kind)
    lengths = " ".join(str(round(getattr(plan, name) / STEP_MM)) for name in LENGTHS)
    counts = " ".join(str(getattr(plan, name)) for name in COUNTS)
    return f"{PREFIX} {chart_id(layout_of(plan))} {kind} {counts} {lengths}"


def layout_from_code(text: str) -> dict[str, Any]:
    """Give the layout of a sheet from the text of its QR square.

    Returns
    -------
    dict
        Content of chart.json, with its id.

    Raises
    ------
    SheetError
        When it is no such text, or its id does not belong to its numbers.
    """
    words = text.split()
    numbers = words[4:]
    whole = text.startswith(PREFIX + " ") and len(words) == 4 + len(COUNTS) + len(LENGTHS)
    if (
        not whole
        or words[3] not in KINDS
        or not all(w.isascii() and w.isdecimal() and len(w) < 7 for w in numbers)
    ):
        raise SheetError(f"{text[:40]!r} is not the code of a chart; read the QR square again.")
    counts = dict(zip(COUNTS, map(int, numbers), strict=False))
    lengths = {
        name: from_steps(int(word)) for name, word in zip(LENGTHS, numbers[len(COUNTS) :], strict=True)
    }
    layout = layout_of(ChartPlan(kind=KINDS[words[3]], **counts, **lengths))  # type: ignore[arg-type]
    if chart_id(layout) != words[2]:
        raise SheetError(
            f"The code of chart {words[2]} is damaged or from another version; use its chart.json."
        )
    return {"id": words[2], **layout}


def from_steps(steps: int) -> float:
    """Length of a whole number of steps, mm, free of rounding noise."""
    return round(steps * STEP_MM, 2)
