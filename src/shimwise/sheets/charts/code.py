"""A chart's id, and the short code that carries the whole chart in its QR square.

The code holds the plan's numbers, so that a picture of the sheet is enough to know its layout to the
hundredth of a millimetre, without any list of charts: ``SHIMWISE 1 <id> <plan in steps of 0.05 mm>``.
"""

import hashlib
import json
import re
from dataclasses import fields
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.charts.layout import layout_of
from shimwise.sheets.charts.plan import STEP_MM, ChartPlan, SpokeKind

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Digits and capitals without I, L, O and U, which are misread."""
PREFIX = "SHIMWISE 1"
LENGTHS = tuple(field.name for field in fields(ChartPlan) if field.name.endswith("_mm"))
COUNTS = ("stars", "spokes", "small_spokes")
_CODE = re.compile(
    rf"{PREFIX}\s+(?P<name>\S+)\s+(?P<kind>[BS])"
    rf"(?P<numbers>(?:\s+[0-9]{{1,6}}){{{len(COUNTS) + len(LENGTHS)}}})\s*"
)
KINDS = {"B": SpokeKind.BINARY, "S": SpokeKind.SINUSOIDAL}


def chart_id(layout: dict[str, Any]) -> str:
    """Return the short digest of a layout: equal for equal layouts only, whatever the order of its names."""
    bare = {key: value for key, value in layout.items() if key != "id"}
    canonical = json.dumps(bare, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    number = int.from_bytes(hashlib.sha256(canonical.encode("ascii")).digest()[:5], "big")
    letters = (ALPHABET[(number >> shift) & 31] for shift in range(35, -1, -5))
    return "".join(letters)


def plan_to_code(plan: ChartPlan) -> str:
    """Return a plan as the text of its QR square: capitals and digits only."""
    kind = next(letter for letter, kind in KINDS.items() if kind is plan.kind)
    lengths = " ".join(str(round(getattr(plan, name) / STEP_MM)) for name in LENGTHS)
    counts = " ".join(str(getattr(plan, name)) for name in COUNTS)
    return f"{PREFIX} {chart_id(layout_of(plan))} {kind} {counts} {lengths}"


def layout_from_code(text: str) -> dict[str, Any]:
    """Return the layout of a sheet from the text of its QR square.

    Returns
    -------
    dict
        Content of chart.json, with its id.

    Raises
    ------
    SheetError
        If it is no such text, or its id does not belong to its numbers.
    """
    match = _CODE.fullmatch(text)
    if match is None:
        raise SheetError(f"{text[:40]!r} is not the code of a chart; read the QR square again.")
    name, kind = match["name"], KINDS[match["kind"]]
    numbers = [int(word) for word in match["numbers"].split()]
    counts = dict(zip(COUNTS, numbers, strict=False))
    steps = zip(LENGTHS, numbers[len(COUNTS) :], strict=True)
    lengths = {field: round(count * STEP_MM, 2) for field, count in steps}
    layout = layout_of(ChartPlan(kind=kind, **counts, **lengths))  # type: ignore[arg-type]
    if chart_id(layout) != name:
        raise SheetError(f"The code of chart {name} is damaged or from another version; use its chart.json.")
    return {"id": name, **layout}
