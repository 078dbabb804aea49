"""The re-check after an adjustment: at least two lenses at two distances, then what the judge asks for.

The least re-check does not depend on what was read: one lens or one distance could hide its own error. Beyond
it the judge's next readings are used, which shrink the undecided most.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from shimwise.inference.model.candidates import USUAL_DISTANCES_MM

LEAST_LENSES, LEAST_DISTANCES = 2, 2
"""Least re-check of a body; of a lens the distances alone. Common practice, no source."""
MOST_ASKED = 4
"""Further readings are asked for a few at a time: each of them changes what is best after it."""


class Target(NamedTuple):
    """A body and a lens, by id or name, and the distance to read. [mm]"""

    body: str
    lens: str
    distance_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """State of a unit's re-check: partners and distances read since, and what to read.

    ``is_read``: the least re-check is complete.
    """

    partner_count: int
    distance_count: int
    is_read: bool
    asked: tuple[Target, ...]


def plan_recheck(
    unit: str,
    *,
    is_body: bool,
    since: Sequence[Target],
    read: Iterable[Target],
    bodies: Sequence[str],
    lenses: Sequence[str],
    taped_mm: Mapping[str, Iterable[float]],
    proposed: Sequence[Target] = (),
) -> Recheck:
    """Plan the re-check of a body or lens.

    Parameters
    ----------
    unit : str
        The unit that was adjusted.
    is_body : bool
        Whether it is a body.
    since, read : sequence and iterable of Target
        Valid readings since the adjustment, and all of the prep: partners read before come first.
    bodies, lenses : sequence of str
        All units at hand, in the prep's order.
    taped_mm : mapping of str to iterable of float
        Distances taped for each body. [mm]
    proposed : sequence of Target
        The judge's next readings; used once the least re-check is complete.
    """
    partners = {one.lens if is_body else one.body for one in since}
    distances = {one.distance_mm for one in since}
    lacks_partners = is_body and len(partners) < min(LEAST_LENSES, len(lenses))
    is_read = not lacks_partners and len(distances) >= LEAST_DISTANCES
    if is_read:
        own = tuple(one for one in proposed if unit in (one.body, one.lens))
        asked = (own or tuple(proposed))[:MOST_ASKED]
    else:
        known = [(one.lens if is_body else one.body) for one in read if unit in (one.body, one.lens)]
        ordered = [*dict.fromkeys((*known, *(lenses if is_body else bodies)))]
        grid = (
            [(unit, lens) for lens in ordered[:LEAST_LENSES]]
            if is_body
            else [(body, unit) for body in ordered[:1]]
        )
        asked = tuple(
            target
            for body, lens in grid
            for distance_mm in _distances_mm(taped_mm.get(body, ()))
            if (target := Target(body, lens, distance_mm)) not in since
        )
    return Recheck(partner_count=len(partners), distance_count=len(distances), is_read=is_read, asked=asked)


def _distances_mm(taped_mm: Iterable[float]) -> list[float]:
    """Return two distances, near before far: taped ones first, else usual ones."""
    return sorted([*dict.fromkeys((*sorted(taped_mm), *USUAL_DISTANCES_MM))][:LEAST_DISTANCES])
