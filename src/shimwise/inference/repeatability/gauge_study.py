"""The part of a house's own readings that is a crossed study: the same sights, by several persons, repeated.

Nobody plans a gauge study during preps, but preps leave pieces of one. The largest balanced piece is taken:
every person of it has read every sight of it equally often.

References
----------
.. [1] AIAG, *Measurement Systems Analysis*, 4th ed. (2010), chapter III: ten parts, three persons and two or
   three trials are asked for; a study of fewer is marked as small.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Generic, TypeVar

LEAST_PERSONS, LEAST_PARTS, LEAST_TRIALS = 2, 3, 2
"""Fewer are no study. Two parts would do for the sums, but not for a spread between parts. Chosen by us."""
FULL_PERSONS, FULL_PARTS = 3, 10
MOST_TRIALS = 6
MOST_PERSONS = 8
"""Persons among whom the largest piece is looked for: those with the most repeated sights."""
Part = TypeVar("Part", bound=Hashable)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedStudy(Generic[Part]):
    """A crossed study; ``values`` has the shape (persons, parts, trials)."""

    persons: tuple[str, ...]
    parts: tuple[Part, ...]
    values: tuple[tuple[tuple[float, ...], ...], ...]

    @property
    def trials(self) -> int:
        """How often each person read each part."""
        return len(self.values[0][0])

    @property
    def is_small(self) -> bool:
        """Whether it is smaller than what is asked for."""
        return len(self.persons) < FULL_PERSONS or len(self.parts) < FULL_PARTS


def largest_crossed_study(cells: Mapping[tuple[str, Part], Sequence[float]]) -> CrossedStudy[Part] | None:
    """Return the largest balanced crossed piece of some readings; None if there is none.

    Parameters
    ----------
    cells : mapping of (person, part) to sequence of float
        What each person read of each part, in time order. Where one has more readings than the piece takes,
        the first are taken.

    Returns
    -------
    CrossedStudy or None
        That with the most readings; of equals, that with the most persons, then the most parts.
    """
    repeated = _repeated(cells)
    persons = sorted(repeated, key=lambda name: (-len(repeated[name]), name))[:MOST_PERSONS]
    found: list[tuple[int, int, int, tuple[str, ...], list[Part]]] = []
    for size in range(LEAST_PERSONS, len(persons) + 1):
        for chosen in combinations(sorted(persons), size):
            for trials in range(LEAST_TRIALS, MOST_TRIALS + 1):
                shared = _shared(cells, repeated, chosen, trials)
                if len(shared) >= LEAST_PARTS:
                    found.append((size * len(shared) * trials, size, len(shared), chosen, shared))
    if not found:
        return None
    count, size, many, chosen, parts = max(found, key=lambda one: one[:3])
    trials = count // (size * many)
    return CrossedStudy(
        persons=chosen,
        parts=tuple(parts),
        values=tuple(tuple(tuple(cells[name, part][:trials]) for part in parts) for name in chosen),
    )


def overlap(cells: Mapping[tuple[str, Part], Sequence[float]]) -> tuple[int, int]:
    """Return how many persons repeat, and how many parts the best pair of persons has both repeated."""
    repeated = _repeated(cells)
    pairs = combinations(sorted(repeated), 2)
    best = max((len(set(repeated[one]) & set(repeated[other])) for one, other in pairs), default=0)
    return len(repeated), best


def _repeated(cells: Mapping[tuple[str, Part], Sequence[float]]) -> dict[str, list[Part]]:
    found: dict[str, list[Part]] = {}
    for (person, part), values in cells.items():
        if len(values) >= LEAST_TRIALS:
            found.setdefault(person, []).append(part)
    return found


def _shared(
    cells: Mapping[tuple[str, Part], Sequence[float]],
    repeated: Mapping[str, Sequence[Part]],
    chosen: Sequence[str],
    trials: int,
) -> list[Part]:
    """Return the parts that each of some persons has read so often, in the first one's order."""
    return [
        part
        for part in repeated[chosen[0]]
        if all(len(cells.get((name, part), ())) >= trials for name in chosen)
    ]
