"""Takes of a cell in one line of a table, against the goals."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import groupby

import numpy as np

from benchmarks.worlds.frames.feed_cells import FEEDS
from benchmarks.worlds.meter.takes import Take, rms

HEADER = (
    "| cell | takes | microns | rms of size, µm | goal | met | limit at 0, µm | goal | met | holds "
    "| side wrong | notes | CPU, ms a frame |"
)


def table(takes: Sequence[Take]) -> str:
    """Return a table with a line for each cell, and what all together hold."""
    order = {name: k for k, name in enumerate(FEEDS)}
    takes = sorted(takes, key=lambda one: (order[one.cell], one.seed))
    lines = [HEADER, "|---" * (HEADER.count(" | ") + 1) + "|"]
    lines += [_line(name, list(of_cell)) for name, of_cell in groupby(takes, key=lambda one: one.cell)]
    told = [one for one in takes if one.has_microns and FEEDS[one.cell].gives_microns]
    if told:
        held = float(np.mean([one.holds for one in told]))
        beyond = [one for one in told if abs(one.rest_um) > 5.0]
        right = sum(one.is_signed and not one.is_side_wrong for one in beyond)
        lines.append(
            f"\nIntervals hold in {held:.3f} of {len(told)} takes with microns; the side beyond 5 µm is "
            f"right in {right} of {len(beyond)}, wrong in {sum(one.is_side_wrong for one in beyond)}."
        )
    axes = [one.axes_error_um for one in takes if math.isfinite(one.axes_error_um)]
    if axes:
        lines.append(f"z_v − z_h is off by {rms(axes):.2f} µm rms in {len(axes)} anamorphic takes.")
    refused = [
        one for one in takes if not FEEDS[one.cell].gives_microns and "frozen" not in FEEDS[one.cell].codes
    ]
    live = [one for one in takes if FEEDS[one.cell].gives_microns and not FEEDS[one.cell].feed.codec]
    falsely = sum("frames_depend" in one.notes for one in live)
    lines.append(
        f"Refused where frames depend on each other: {sum(not one.has_microns for one in refused)} of "
        f"{len(refused)}; falsely: {falsely} of {len(live)}."
    )
    return "\n".join(lines)


def _line(name: str, takes: list[Take]) -> str:
    cell = FEEDS[name]
    told = [one for one in takes if one.has_microns]
    away = [one for one in told if one.rest_um]
    error = rms([one.size_error_um for one in away])
    within = [max(cell.floor_um, cell.share * abs(one.rest_um)) for one in away]
    ratio = rms([one.size_error_um / goal for one, goal in zip(away, within, strict=True)])
    limits = [max(abs(one.low_um), abs(one.high_um)) for one in told if not one.rest_um]
    limit = max(limits, default=math.nan)
    notes = Counter(note for one in takes for note in one.notes)
    share = f"{100 * cell.share:g} %" if cell.share else ""
    goal = f"max({cell.floor_um:g}, {share})" if share else f"{cell.floor_um:g}"
    gives = cell.gives_microns
    fields = [
        name,
        str(len(takes)),
        f"{len(told)}" if gives else f"refused {len(takes) - len(told)}",
        _number(error),
        goal if gives else "none",
        ("yes" if ratio <= 1.0 else "no") if gives and away else ("yes" if not gives and not told else "–"),
        _number(limit),
        f"{cell.limit_at_zero_um:g}" if gives else "none",
        ("yes" if limit <= cell.limit_at_zero_um else "no") if gives and limits else "–",
        f"{np.mean([one.holds for one in told]):.2f}" if told else "–",
        str(sum(one.is_side_wrong for one in told)),
        ", ".join(f"{code} {count}" for code, count in sorted(notes.items())) or "–",
        f"{np.median([one.cpu_ms for one in takes]):.1f}",
    ]
    return "| " + " | ".join(fields) + " |"


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else "–"
