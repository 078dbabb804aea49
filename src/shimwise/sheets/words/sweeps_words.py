"""Many sweeps in words, a row each: best focus, tilt, and what is flagged."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from shimwise.inference.verdict.answer import Z95
from shimwise.number_format import plus_minus_text
from shimwise.sheets.json.sweep_json import Sweep
from shimwise.sheets.words.shared import counted, plain
from shimwise.sheets.words.sweep_words import grouped_flags

NOT_MEASURED, REFUSED = "not told", "refused"
COLUMNS = (
    "folder",
    "body",
    "lens",
    "best_um",
    "low_um",
    "high_um",
    "landing_um",
    "tilt_x_um",
    "tilt_x_sd_um",
    "tilt_y_um",
    "tilt_y_sd_um",
    "w040_waves",
    "stars",
    "swept",
    "is_relative",
    "channel",
    "flags",
    "problem",
)
"""Of a table of sweeps, for programs; they only ever grow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepsRow:
    """A sweep as people read it in a list: ``best``, ``right_left`` and ``bottom_top`` in µm with their ±."""

    folder: str
    best: str
    right_left: str = ""
    bottom_top: str = ""
    flags: tuple[str, ...] = ()


def sweeps_row(folder: str, sweep: Sweep | None, problem: str) -> SweepsRow:
    """Return the row of a sweep, or of a folder that was refused."""
    if sweep is None:
        return SweepsRow(folder=plain(folder), best=REFUSED, flags=(plain(problem),))
    tilt = sweep.tilt
    return SweepsRow(
        folder=plain(folder),
        best=NOT_MEASURED if sweep.best_um is None else plus_minus_text(sweep.best_um, sweep.half_um),
        right_left=_tilt_text(tilt.x_um, tilt.x_sd_um),
        bottom_top=_tilt_text(tilt.y_um, tilt.y_sd_um),
        flags=tuple(plain(text) for text in grouped_flags(sweep.flags)),
    )


def sweeps_line(row: SweepsRow, width: int) -> str:
    """Return a row as a line of the terminal; its flags are counted, a refusal is given in full."""
    if row.best == REFUSED:
        return f"  {row.folder}: {REFUSED}: {row.flags[0]}"
    tilt = f"  tilt {row.right_left}, {row.bottom_top}" if row.right_left and row.bottom_top else ""
    if row.best == NOT_MEASURED:
        return f"  {row.folder:<{width}}  {NOT_MEASURED}: {row.flags[0].split(':')[0] if row.flags else ''}"
    flags = f"  {counted(len(row.flags), 'flag')}" if row.flags else ""
    return f"  {row.folder:<{width}}  {row.best:>14} µm{tilt}{flags}"


def sweeps_record(folder: str, document: Mapping[str, Any] | None, problem: str) -> dict[str, Any]:
    """Return a sweep as a flat row of a table, with the keys :data:`COLUMNS`; None where nothing is known."""
    found = document or {}
    tilt = found.get("tilt") or {}
    known = {key: found.get(key) for key in COLUMNS}
    return known | {
        "folder": folder,
        "stars": None if document is None else len(found["stars"]),
        **{f"tilt_{key}": tilt.get(key) for key in ("x_um", "x_sd_um", "y_um", "y_sd_um")},
        "flags": list(found.get("flags", ())),
        "problem": problem,
    }


def _tilt_text(um: float | None, sd_um: float | None) -> str:
    return "" if um is None or sd_um is None else plus_minus_text(um, Z95 * sd_um)
