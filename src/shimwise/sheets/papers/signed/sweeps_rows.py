"""The sweeps of a prep in words: best focus, tilt and flags, and what their pictures are drawn from."""

from collections.abc import Mapping
from typing import Any

from shimwise.sheets.json.sweep_json import sweep_from_json
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import (
    Data,
    Row,
    bound,
    moment_words,
    row_error,
    setup_distance,
    text_of,
)
from shimwise.sheets.pictures.sweep_figure import Curve
from shimwise.sheets.words.shared import capital, plain, titled
from shimwise.sheets.words.sweep_words import grouped_flags, sweep_sentence

MOST_FLAGS = 6


def sweep_rows(prep: PrepDocument) -> list[Data]:
    """Return the result of each sweep, withdrawn ones too."""
    return [_sweep(prep, row) for row in prep.rows("sweeps")]


def kept_curves(row: Row) -> tuple[Curve, ...]:
    """Return the curves that were kept with a sweep; none if they stayed with its frames."""
    kept = row.get("curves") or row["result"].get("curves") or ()
    return tuple(
        Curve(
            name=text_of(one, "name"),
            points=tuple((float(x), float(y)) for x, y in one.get("points") or ()),
            fit=tuple((float(x), float(y)) for x, y in one.get("fit") or ()),
        )
        for one in kept
    )


def _sweep(prep: PrepDocument, row: Row) -> Data:
    result = row["result"]
    body, lens = titled("body", prep.name(row["body_id"])), titled("lens", prep.name(row["lens_id"]))
    where = setup_distance(prep, row.get("setup_id"))
    taken = moment_words(row["taken_at"]) if row.get("taken_at") else ""
    return {
        "title": f"{capital(body)} with {lens} at {where}",
        "by": ", ".join(words for words in (text_of(row, "taken_by"), taken) if words),
        "sentence": bound(capital(sweep_sentence(sweep_from_json(result)))),
        "tilt": _tilt(result),
        "flags": [plain(flag) for flag in grouped_flags(result["flags"])[:MOST_FLAGS]],
        "is_withdrawn": bool(row.get("withdrawn_at")),
        "reason": text_of(row, "withdrawn_reason"),
    }


def _tilt(result: Mapping[str, Any]) -> str:
    tilt = result.get("tilt") or {}
    across, down = (row_error(tilt, f"{axis}_um", f"{axis}_sd_um") for axis in ("x", "y"))
    if tilt.get("x_um") is None or tilt.get("y_um") is None:
        return "Tilt: not measured by this sweep."
    words = f"right edge less left {across} µm, bottom less top {down} µm (95 %)"
    return bound(f"Tilt, the chart's own taken out: {words}.")
