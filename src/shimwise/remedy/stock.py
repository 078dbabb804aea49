"""The house's shim stock with counts: the fewest shims for a thickness, what to order, and what is left.

A stock is a value: what is used or put back makes a new stock, and the old one stays as it was.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from shimwise.errors import RemedyError
from shimwise.remedy.mechanism import LARGEST_SHIM_UM, checked_stock
from shimwise.remedy.shims import MOST_SHIMS, NM_PER_UM, TOLERANCE_SHARE, ShimChoice, choose_shims

MOST_COUNT = 10_000
"""More shims of one thickness than this are a slip of the pen."""
LOW_COUNT = 2
"""A thickness with fewer left than this is put on the list to order (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ShimStock:
    """Thicknesses in rising order with how many there are: pairs of (µm, count); a count of 0 is kept.

    Raises
    ------
    RemedyError
        If a thickness or a count is impossible, or a thickness occurs twice.
    """

    counts: tuple[tuple[float, int], ...] = ()

    def __post_init__(self) -> None:
        sizes = tuple(thickness_um for thickness_um, _ in self.counts)
        if checked_stock(sizes) != sizes:
            raise RemedyError("The thicknesses of a stock have to rise, each named once. Put them in order.")
        for thickness_um, count in self.counts:
            _check_count(thickness_um, count)

    @classmethod
    def of(cls, counts: Mapping[float, int]) -> "ShimStock":
        """Return a stock from a mapping of thickness [µm] to count."""
        return cls(tuple(sorted((float(size), count) for size, count in counts.items())))

    def count(self, thickness_um: float) -> int:
        """Return how many of a thickness there are; 0 if it is not in the list."""
        return dict(self.counts).get(thickness_um, 0)

    @property
    def thicknesses_um(self) -> tuple[float, ...]:
        """All thicknesses of the list, also those with none left. [µm]"""
        return tuple(thickness_um for thickness_um, _ in self.counts)

    def used(self, shims_um: Iterable[float]) -> "ShimStock":
        """Return the stock without these shims; raise RemedyError if it does not have them."""
        wanted = Counter(shims_um)
        for thickness_um, count in sorted(wanted.items()):
            if self.count(thickness_um) < count:
                raise RemedyError(
                    f"The stock holds {self.count(thickness_um)} of {thickness_um:g} µm, {count} were to be "
                    "used. Count the stock again, or choose others."
                )
        return self._changed({size: -count for size, count in wanted.items()})

    def added(self, shims_um: Iterable[float]) -> "ShimStock":
        """Return the stock with these shims: delivered, or taken out of a mount."""
        return self._changed(Counter(shims_um))

    def to_order(self) -> tuple[tuple[float, int], ...]:
        """Return the thicknesses of which fewer than ``LOW_COUNT`` are left, with how many are missing."""
        return tuple((size, LOW_COUNT - count) for size, count in self.counts if count < LOW_COUNT)

    def _changed(self, change: Mapping[float, int]) -> "ShimStock":
        counts = dict(self.counts)
        for size, count in change.items():
            counts[float(size)] = counts.get(size, 0) + count
        return ShimStock.of(counts)


@dataclass(frozen=True, slots=True, kw_only=True)
class StockChoice(ShimChoice):
    """A choice of shims from a stock for a thickness.

    ``order``: pairs of (µm, count) to buy where full counts of the same thicknesses would serve
    better: with fewer shims, or nearer.
    """

    order: tuple[tuple[float, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Restack:
    """The choice of a changed stack, and what goes in and what comes out for it. [µm, thickest first]"""

    put_in_um: tuple[float, ...]
    taken_out_um: tuple[float, ...]
    choice: StockChoice


def choose_from_stock(target_um: float, stock: ShimStock, *, tolerance_um: float) -> StockChoice:
    """Return the fewest shims at hand within a third of the tolerance of a thickness; of those, the nearest.

    If none come that near, the nearest, and what to order.

    Parameters
    ----------
    target_um : float
        Thickness to make up. [µm, 0 or more]
    stock : ShimStock
    tolerance_um : float
        Tolerance of the unit, ±. [µm, above 0]
    """
    ideal = choose_shims(target_um, stock.thicknesses_um, tolerance_um=tolerance_um)
    target_nm = round(target_um * NM_PER_UM)
    share_nm = TOLERANCE_SHARE * tolerance_um * NM_PER_UM
    sizes = {round(size * NM_PER_UM): size for size in stock.thicknesses_um}
    stacks = _stacks(stock, most_nm=2 * target_nm)

    def rank(item: tuple[int, tuple[int, ...]]) -> tuple[int, int, int, int]:
        sum_nm, stack = item
        apart_nm = abs(target_nm - sum_nm)
        if apart_nm <= share_nm:
            return (0, len(stack), apart_nm, sum_nm)
        return (1, apart_nm, len(stack), sum_nm)

    best_nm, best = min(stacks.items(), key=rank)
    shims_um = tuple(sizes[size] for size in sorted(best, reverse=True))
    is_worse = len(shims_um) > len(ideal.shims_um) or abs(target_nm - best_nm) > abs(
        round(ideal.leftover_um * NM_PER_UM)
    )
    lacking = {size: n - stock.count(size) for size, n in Counter(ideal.shims_um).items()}
    return StockChoice(
        shims_um=shims_um,
        leftover_um=(target_nm - best_nm) / NM_PER_UM,
        is_within_share=abs(target_nm - best_nm) <= share_nm,
        order=tuple(sorted((size, n) for size, n in lacking.items() if n > 0)) if is_worse else (),
    )


def restack(stack_um: Sequence[float], change_um: float, stock: ShimStock, *, tolerance_um: float) -> Restack:
    """Change the shims of a mount by an amount; those that are in may be used again.

    Parameters
    ----------
    stack_um : sequence of float
        Shims that are in the mount. [µm]
    change_um : float
        Thickness to add (above 0) or to take away (below 0). [µm]
    stock : ShimStock
        Shims at hand beside those in the mount.
    tolerance_um : float
        Tolerance of the unit, ±. [µm, above 0]

    Raises
    ------
    RemedyError
        If more is to be taken away than is in, or a number is impossible.
    """
    held_um = math.fsum(stack_um)
    if not math.isfinite(change_um):
        raise RemedyError(f"A change of {change_um:g} µm cannot be shimmed. Check the error it comes from.")
    target_um = held_um + change_um
    if not 0 <= target_um <= MOST_SHIMS * LARGEST_SHIM_UM:
        raise RemedyError(
            f"{abs(change_um):g} µm cannot be {'taken from' if change_um < 0 else 'added to'} a stack of "
            f"{held_um:g} µm. Measure the shims that are in, and look for another cause."
        )
    choice = choose_from_stock(target_um, stock.added(stack_um), tolerance_um=tolerance_um)
    before, after = Counter(map(float, stack_um)), Counter(choice.shims_um)
    return Restack(
        put_in_um=tuple(sorted((after - before).elements(), reverse=True)),
        taken_out_um=tuple(sorted((before - after).elements(), reverse=True)),
        choice=choice,
    )


def _stacks(stock: ShimStock, *, most_nm: int) -> dict[int, tuple[int, ...]]:
    """Return the sums that the stock can make up [nm], each with its shortest stack (≤ ``MOST_SHIMS``)."""
    found: dict[int, tuple[int, ...]] = {0: ()}
    for size_um, count in stock.counts:
        size = round(size_um * NM_PER_UM)
        grown = dict(found)
        for sum_nm, stack in found.items():
            for n in range(1, min(count, MOST_SHIMS - len(stack)) + 1):
                total = sum_nm + n * size
                if total > most_nm:
                    break
                if total not in grown or len(grown[total]) > len(stack) + n:
                    grown[total] = (*stack, *[size] * n)
        found = grown
    return found


def _check_count(thickness_um: float, count: int) -> None:
    if not 0 <= count <= MOST_COUNT:
        raise RemedyError(
            f"The stock has {count} of {thickness_um:g} µm; it has to be 0 to {MOST_COUNT}. Count it again."
        )
