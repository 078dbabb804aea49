"""Rows of a cell in one line of a table."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import groupby

import numpy as np

from benchmarks.worlds.frames.cells import SWEEPS
from benchmarks.worlds.sweeps.measured import Z95, Row

HEADER = (
    "| cell | sweeps | told | rms, µm | goal | met | half width | holds | near | silent and wrong "
    "| tilt gain | tilt rms | tilt holds | rivals, µm | flags | CPU, s |"
)
WRONG_UM = 0.3
"""An error beyond this and beyond its interval, with no flag and no alternative, is silent and wrong."""


def table(rows: Sequence[Row]) -> str:
    """Return a table with a line for each cell."""
    lines = [HEADER, "|---" * HEADER.count(" | ") + "|---|"]
    order = {name: k for k, name in enumerate(SWEEPS)}
    rows = sorted(rows, key=lambda row: (order[row.cell], row.seed))
    lines += [_line(name, list(of_cell)) for name, of_cell in groupby(rows, key=lambda row: row.cell)]
    told = [row for row in rows if not row.withheld]
    if told:
        held = float(np.mean([row.holds for row in told]))
        lines.append(f"\nAll cells: told {len(told)} of {len(rows)}; intervals hold {held:.3f}.")
    return "\n".join(lines)


def _line(name: str, rows: list[Row]) -> str:
    told = [row for row in rows if not row.withheld]
    goal = SWEEPS[name].rms_um
    rms = _rms([row.error for row in told])
    wrong = sum(
        not row.codes and not row.others and not row.holds and abs(row.error) > WRONG_UM for row in told
    )
    rivals = "/".join(_number(_rms([row.rivals[k] for row in rows])) for k in range(2))
    flags = ", ".join(
        f"{code} {count}" for code, count in sorted(Counter(c for row in rows for c in row.codes).items())
    )
    cells = [
        name,
        str(len(rows)),
        f"{len(told) / len(rows):.2f}",
        _number(rms),
        f"≤ {goal:g}",
        "yes" if rms <= goal else "no",
        _number(float(np.median([row.half for row in told])) if told else math.nan),
        _number(float(np.mean([row.holds for row in told])) if told else math.nan, 2),
        f"{np.mean([row.near for row in rows]):.2f}",
        str(wrong),
        *_tilt(told),
        rivals,
        flags,
        f"{np.median([row.seconds for row in rows]):.2f}",
    ]
    return "| " + " | ".join(cells) + " |"


def _tilt(rows: list[Row]) -> list[str]:
    """Gain, rms of the error and how often the interval holds, of both tilts together."""
    found = [(t, s, w) for row in rows for t, s, w in zip(row.tilt, row.tilt_sd, row.tilt_truth, strict=True)]
    found = [one for one in found if math.isfinite(one[0])]
    if not found:
        return ["–", "–", "–"]
    tilt, sd, truth = np.array(found).T
    gain = float(tilt @ truth / (truth @ truth))
    holds = float(np.mean(np.abs(tilt - truth) <= Z95 * sd))
    return [f"{gain:.3f}", _number(_rms(list(tilt - truth))), f"{holds:.2f}"]


def _rms(errors: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(errors)))) if len(errors) else math.nan


def _number(value: float, places: int = 3) -> str:
    return "–" if not math.isfinite(value) else f"{value:.{places}f}"
