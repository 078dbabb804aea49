"""How far a unit moved between two epochs, from landings with the same partners: their own errors cancel."""

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from shimwise.inference.verdict.answer import ReadingAnswer


@dataclass(frozen=True, slots=True)
class UnitChange:
    """Change of a unit's error with its standard uncertainty. [µm, + away from the flange]"""

    mean_um: float
    sd_um: float


def change_between(
    readings: Iterable[ReadingAnswer], *, kind: str, before: str, after: str
) -> UnitChange | None:
    """Return the weighted mean difference over the partners read in both epochs; None if there is none.

    Parameters
    ----------
    readings : iterable of ReadingAnswer
        Landings of both epochs.
    kind : str
        ``body`` or ``lens``; its partners are of the other kind.
    before, after : str
        Names of the unit in the two epochs.
    """
    landings: dict[str, dict[str, list[tuple[float, float]]]]
    landings = {before: defaultdict(list), after: defaultdict(list)}
    for one in readings:
        unit, partner = (one.body, one.lens) if kind == "body" else (one.lens, one.body)
        if unit in landings and math.isfinite(one.landing_um) and one.sd_um > 0 and one.weight > 0:
            landings[unit][partner].append((one.landing_um, one.weight / one.sd_um**2))
    old, new = ({name: _pooled(of) for name, of in landings[epoch].items()} for epoch in (before, after))
    pairs = [(new[name][0] - old[name][0], old[name][1] + new[name][1]) for name in old if name in new]
    if not pairs:
        return None
    precision = math.fsum(1 / variance for _, variance in pairs)
    mean_um = math.fsum(difference / variance for difference, variance in pairs) / precision
    return UnitChange(mean_um, precision**-0.5)


def _pooled(landings: list[tuple[float, float]]) -> tuple[float, float]:
    """Return the weighted mean of pairs (landing, weight) and its variance. [µm, µm²]"""
    precision = math.fsum(weight for _, weight in landings)
    return math.fsum(landing * weight for landing, weight in landings) / precision, 1 / precision
