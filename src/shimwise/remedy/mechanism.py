"""How a body is adjusted: a screw, a shimmed mount, or fixed.

A mechanism that is not known is ``None``; the advice then is to find out before anything is turned.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from shimwise.errors import RemedyError

LARGEST_UM_PER_TURN = 5000.0
"""A screw of five millimetres pitch moves no sensor; a larger value is a slip of the unit."""
LEAST_SHIM_UM = 1.0
LARGEST_SHIM_UM = 2000.0
LARGEST_STOCK = 24
"""Thicknesses in one stock list: more would only slow the choice."""


class Turn(StrEnum):
    """A sense of rotation, as seen looking at the head of the screw."""

    CLOCKWISE = "clockwise"
    ANTICLOCKWISE = "anticlockwise"

    @property
    def opposite(self) -> "Turn":
        """The other sense of rotation."""
        return Turn.ANTICLOCKWISE if self is Turn.CLOCKWISE else Turn.CLOCKWISE


@dataclass(frozen=True, slots=True, kw_only=True)
class Screw:
    """A screw that moves the sensor; whatever is not known of it is None.

    Attributes
    ----------
    um_per_turn : float or None
        Travel of the sensor for one turn. [µm, above 0]
    um_per_turn_sd : float or None
        Its standard uncertainty [µm]; None where it is not known or small.
    away : Turn or None
        The sense that moves the sensor away from the flange.
    has_lock : bool or None
        Whether the sensor can be locked; None: not known.
    backlash_um : float or None
        Play between screw and sensor. [µm, 0 or more]
    """

    um_per_turn: float | None = None
    um_per_turn_sd: float | None = None
    away: Turn | None = None
    has_lock: bool | None = None
    backlash_um: float | None = None

    def __post_init__(self) -> None:
        _refuse_unless("um_per_turn", self.um_per_turn, above=0.0, most=LARGEST_UM_PER_TURN)
        _refuse_unless("um_per_turn_sd", self.um_per_turn_sd, least=0.0, most=LARGEST_UM_PER_TURN)
        _refuse_unless("backlash_um", self.backlash_um, least=0.0, most=LARGEST_UM_PER_TURN)
        if self.um_per_turn_sd is not None and self.um_per_turn is None:
            raise RemedyError("um_per_turn_sd is given without um_per_turn. Give both, or neither.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShimmedMount:
    """A mount seated on shims, and the thicknesses in stock for it. [µm] An empty stock: not known."""

    stock_um: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        checked_stock(self.stock_um)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixed:
    """A sensor without an adjustment that a technician of the house may use."""


Mechanism = Screw | ShimmedMount | Fixed


def checked_stock(stock_um: tuple[float, ...]) -> tuple[float, ...]:
    """Return the thicknesses of a stock in rising order, each once; RemedyError if one cannot be. [µm]"""
    for thickness_um in stock_um:
        _refuse_unless("a shim of the stock", thickness_um, least=LEAST_SHIM_UM, most=LARGEST_SHIM_UM)
    thicknesses = tuple(sorted(set(stock_um)))
    if len(thicknesses) > LARGEST_STOCK:
        raise RemedyError(
            f"The stock lists {len(thicknesses)} thicknesses; at most {LARGEST_STOCK} are weighed. "
            "List those that are at hand."
        )
    return thicknesses


def _refuse_unless(
    what: str, value: float | None, *, least: float = -math.inf, above: float = -math.inf, most: float
) -> None:
    if value is None:
        return
    if not (math.isfinite(value) and value >= least and value > above and value <= most):
        low = f"above {above:g}" if above > -math.inf else f"{least:g} or more"
        raise RemedyError(f"{what} is {value:g} µm; it has to be {low} and at most {most:g} µm. Correct it.")
