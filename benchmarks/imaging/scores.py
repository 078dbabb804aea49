"""Scores of many sweeps with known truth, and the rows of the table they end in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["Row", "Score", "coverage", "rms", "table"]


@dataclass(frozen=True)
class Row:
    """One line of the table: what was measured beside its goal. ``met`` is None for a row that only tells."""

    cell: str
    what: str
    measured: str
    goal: str
    met: bool | None
    note: str = ""


@dataclass(frozen=True)
class Score:
    """Errors of estimates and how their 95 % intervals held."""

    errors: np.ndarray
    halves: np.ndarray
    held: np.ndarray
    lost: int = 0
    """Sweeps that gave no number."""

    @classmethod
    def of(cls, best: ArrayLike, low: ArrayLike, high: ArrayLike, truth: ArrayLike, lost: int = 0) -> Score:
        """Score estimates with their intervals against the truth."""
        best_, low_, high_, truth_ = (np.asarray(a, dtype=float).ravel() for a in (best, low, high, truth))
        held = (low_ <= truth_) & (truth_ <= high_)
        return cls(best_ - truth_, (high_ - low_) / 2, held, lost)

    @property
    def rms(self) -> float:
        """Root mean square error."""
        return rms(self.errors)

    @property
    def bias(self) -> float:
        """Mean error."""
        return float(np.mean(self.errors))

    @property
    def coverage(self) -> float:
        """Share of intervals that hold the truth."""
        return float(np.mean(self.held))

    @property
    def width(self) -> float:
        """Median half width as a multiple of the rms error."""
        return float(np.median(self.halves)) / self.rms


def rms(values: ArrayLike) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(np.asarray(values, dtype=float)))))


def coverage(score: Score, cell: str, *, low: float, high: float = 1.0, note: str = "") -> list[Row]:
    """Rows for the interval: how often it held, and how wide it was (at most 2.6 × rms)."""
    goal = f"{100 * low:.0f}–{100 * high:.0f} %" if high < 1 else f"≥ {100 * low:.0f} %"
    held = f"{100 * score.coverage:.1f} %" + (f", {score.lost} lost" if score.lost else "")
    good = low <= score.coverage <= high and score.lost == 0
    return [
        Row(cell, "95 % interval holds", held, goal, good, note),
        Row(cell, "half width / rms", f"{score.width:.2f}", "≤ 2.6", score.width <= 2.6),
    ]


def table(rows: Sequence[Row]) -> str:
    """Format rows as a markdown table."""
    lines = ["| cell | what | measured | goal | | note |", "|---|---|---|---|---|---|"]
    mark = {True: "met", False: "**missed**", None: ""}
    lines += [f"| {r.cell} | {r.what} | {r.measured} | {r.goal} | {mark[r.met]} | {r.note} |" for r in rows]
    return "\n".join(lines)
