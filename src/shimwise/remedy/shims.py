"""Which shims out of a stock make up a thickness: the fewest that come near enough, then the nearest."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shimwise.errors import RemedyError
from shimwise.remedy.mechanism import LARGEST_SHIM_UM, checked_stock

TOLERANCE_SHARE = 1 / 3
"""What a stack may leave, as a share of the tolerance: a third adds 5 % to it in quadrature, √(1 + 1/9)."""
MOST_SHIMS = 5
"""A taller stack lies less flat and holds dirt (common practice, no source)."""
NM_PER_UM = 1000
"""Sums are held in whole nanometres, so that equal stacks compare equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShimChoice:
    """Shims to stack [µm, thickest first], and target minus their sum [µm]; whether that is near enough."""

    shims_um: tuple[float, ...]
    leftover_um: float
    is_within_share: bool


def choose_shims(target_um: float, stock_um: Sequence[float], *, tolerance_um: float) -> ShimChoice:
    """Return the fewest shims within a third of the tolerance of the target; of those, the nearest.

    Any number of each thickness may be used, up to ``MOST_SHIMS`` in all. If no stack comes that near, the
    nearest one is returned. Of two stacks equally near, the thinner one is taken.

    Parameters
    ----------
    target_um : float
        Thickness to make up. [µm, 0 or more]
    stock_um : sequence of float
        Thicknesses in stock. [µm]
    tolerance_um : float
        Tolerance of the unit, ±. [µm, above 0]

    Returns
    -------
    ShimChoice
        Empty if no shim is nearer to the target than none.
    """
    if not (math.isfinite(target_um) and 0 <= target_um <= MOST_SHIMS * LARGEST_SHIM_UM):
        raise RemedyError(f"A stack of {target_um:g} µm cannot be shimmed. Check the error it comes from.")
    if not (math.isfinite(tolerance_um) and tolerance_um > 0):
        raise RemedyError(f"The tolerance is {tolerance_um:g} µm; it has to be above 0. Correct it.")
    target_nm = round(target_um * NM_PER_UM)
    share_nm = TOLERANCE_SHARE * tolerance_um * NM_PER_UM
    sizes = {round(size * NM_PER_UM): size for size in checked_stock(tuple(stock_um))}
    layer: dict[int, tuple[int, ...]] = {0: ()}
    best_nm = 0
    best: tuple[int, ...] = ()
    for _ in range(MOST_SHIMS + 1):
        nearest_nm = min(layer, key=lambda sum_nm: (abs(target_nm - sum_nm), sum_nm), default=best_nm)
        if abs(target_nm - nearest_nm) < abs(target_nm - best_nm):
            best_nm, best = nearest_nm, layer[nearest_nm]
        if abs(target_nm - best_nm) <= share_nm:
            break
        layer = _one_more(layer, sizes, most_nm=2 * target_nm)
    return ShimChoice(
        shims_um=tuple(sizes[size] for size in sorted(best, reverse=True)),
        leftover_um=(target_nm - best_nm) / NM_PER_UM,
        is_within_share=abs(target_nm - best_nm) <= share_nm,
    )


def _one_more(
    layer: dict[int, tuple[int, ...]], sizes: dict[int, float], *, most_nm: int
) -> dict[int, tuple[int, ...]]:
    """Return the sums with one shim more [nm], each with a stack; none worse than no shim at all."""
    return {
        sum_nm + size: (*stack, size)
        for sum_nm, stack in layer.items()
        for size in sizes
        if sum_nm + size <= most_nm
    }
