"""How far to move: a screw from what is known of it, a mount from the shims at hand; and what a move made."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.adjust.screw_history import screw_past, screw_view
from shimwise.bench.adjust.views import MoveView, ScrewView
from shimwise.bench.errors import Conflict
from shimwise.bench.house.shim_stock import stock_in
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.errors import RemedyError
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.remedy import Screw, ShimmedMount, Turn
from shimwise.remedy.adjustment_steps import Move, turns_words
from shimwise.remedy.stock import ShimStock, restack

if TYPE_CHECKING:
    from shimwise.record import Connection
    from shimwise.remedy.adjustment import Adjustment

__all__ = ["Made", "Plan", "made_move", "plan_of", "restacked"]

SHIM_SD_UM = 1.0
"""Standard uncertainty of a shim's thickness, and of how it beds in. [µm] Common practice, no source."""
NOT_COUNTED = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a unit's error asks for: the whole change, the move that is made of it, and why."""

    error_um: float
    error_sd_um: float
    move: Move
    turns_sd: float | None = None
    is_trial: bool = False
    leftover_um: float | None = None
    order: tuple[tuple[float, int], ...] = ()
    screw: ScrewView | None = None
    peak: str = ""

    def to_json(self) -> dict[str, Any]:
        """Give it as plain JSON."""
        return {
            "error_um": self.error_um,
            "error_sd_um": self.error_sd_um,
            "move": self.move.to_json(),
            "turns_sd": self.turns_sd,
            "is_trial": self.is_trial,
            "leftover_um": self.leftover_um,
            "order": [list(one) for one in self.order],
            "screw": None if self.screw is None else asdict(self.screw),
            "peak": self.peak,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Plan":
        """Read what :meth:`to_json` wrote."""
        screw = data["screw"]
        return cls(
            error_um=data["error_um"],
            error_sd_um=data["error_sd_um"],
            move=Move.from_json(data["move"]),
            turns_sd=data["turns_sd"],
            is_trial=data["is_trial"],
            leftover_um=data["leftover_um"],
            order=tuple((float(size), int(count)) for size, count in data["order"]),
            screw=None if screw is None else ScrewView(**screw),
            peak=data.get("peak", ""),
        )

    def view(self) -> MoveView:
        """Show it."""
        move = self.move
        way = "short" if self.error_um < 0 else "deep"
        words = f"{way} by {abs(self.error_um):.0f} ± {2 * self.error_sd_um:.0f} µm: " + (
            "add, or move away from the flange."
            if self.error_um < 0
            else "take away, or move toward the flange."
        )
        if self.is_trial and not self.peak:
            words += " The screw is not known well enough yet: a small first move, then read again."
        approach = move.approach or move.turn
        return MoveView(
            amount_um=-self.error_um,
            amount_sd_um=self.error_sd_um,
            words=words[0].upper() + words[1:],
            turns=move.turns,
            turns_sd=self.turns_sd,
            degrees=None if move.turns is None else 360.0 * move.turns,
            turn="" if move.turns is None or move.turn is None else turns_words(move.turns, move.turn),
            approach=f"Come up {approach} from one side, without reversing." if approach else "",
            is_trial=self.is_trial,
            peak=self.peak,
            put_in_um=move.shims_in_um,
            taken_out_um=move.shims_out_um,
            leftover_um=self.leftover_um,
            order=self.order,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a move made of a unit's error [µm, + away from the flange], and the turns, + clockwise."""

    amount_um: float | None
    amount_sd_um: float | None
    turns: float | None = None


def plan_of(
    connection: "Connection", unit: BodyRow | LensRow, *, line: Mapping[str, Any], tolerance_um: float
) -> Plan:
    """Plan the move of a unit from what the verdict says of it.

    Raises
    ------
    Conflict
        When the verdict knows no error of it.
    """
    error_um, sd_um = line.get("error_um"), line.get("sd_um")
    if error_um is None or not sd_um:
        raise Conflict(
            f"Nothing is known of the error of {unit.name} yet. Read it first.", kind="adjustment", id=unit.id
        )
    tolerance_um = line.get("tolerance_um") or tolerance_um
    plan = Plan(error_um=error_um, error_sd_um=sd_um, move=Move(change_um=-error_um, change_sd_um=sd_um))
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    if isinstance(mechanism, Screw) and isinstance(unit, BodyRow):
        return _screw_plan(connection, unit, mechanism, plan, tolerance_um)
    if isinstance(mechanism, ShimmedMount) or isinstance(unit, LensRow):
        own = mechanism.stock_um if isinstance(mechanism, ShimmedMount) else ()
        return _shim_plan(plan, _stock(connection, own), (), tolerance_um)
    return plan


def restacked(
    connection: "Connection",
    plan: Plan,
    stack_um: tuple[float, ...],
    *,
    own_um: tuple[float, ...],
    tolerance_um: float,
) -> Plan:
    """Plan the shims again, now that those in the mount are known.

    Raises
    ------
    Conflict
        When more has to come out than is in.
    """
    try:
        return _shim_plan(plan, _stock(connection, own_um), stack_um, tolerance_um, is_known=True)
    except RemedyError as error:
        raise Conflict(str(error), kind="step", id="shims measured") from error


def made_move(connection: "Connection", unit: BodyRow | LensRow, adjusted: "Adjustment") -> Made:
    """Reckon what the move that was made is expected to have changed, with its uncertainty."""
    made = adjusted.made
    if made is None:
        return Made(amount_um=None, amount_sd_um=None)
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    if made.turns is not None and isinstance(mechanism, Screw) and isinstance(unit, BodyRow):
        return _turned(connection, unit, mechanism, made)
    change_um = sum(made.shims_in_um) - sum(made.shims_out_um)
    count = len(made.shims_in_um) + len(made.shims_out_um)
    return Made(amount_um=change_um, amount_sd_um=SHIM_SD_UM * math.sqrt(max(1, count)))


def _turned(connection: "Connection", body: BodyRow, screw: Screw, made: Move) -> Made:
    from shimwise.inference.history.screw import travel_of

    clockwise = (made.turns or 0.0) * (1.0 if made.turn is Turn.CLOCKWISE else -1.0)
    past = screw_past(connection, body, screw)
    pressed = past.pressed_from
    changed = None if pressed is None or not clockwise else pressed * clockwise < 0
    travel = travel_of(past.known(), past.clockwise_is * clockwise, approach_changed=changed)
    return Made(amount_um=travel.mean_um, amount_sd_um=max(travel.sd_um, SHIM_SD_UM), turns=clockwise or None)


def _screw_plan(
    connection: "Connection", body: BodyRow, screw: Screw, plan: Plan, tolerance_um: float
) -> Plan:
    past = screw_past(connection, body, screw)
    known = past.known()
    advice = past.advice(
        known, error_um=plan.error_um, error_sd_um=plan.error_sd_um, tolerance_um=tolerance_um
    )
    turn = past.sense_of(advice.turns)
    move = Move(
        change_um=advice.travel.mean_um,
        change_sd_um=advice.travel.sd_um,
        turns=abs(advice.turns),
        turn=turn,
        approach=turn,
    )
    return replace(
        plan,
        move=move,
        turns_sd=advice.turns_sd,
        is_trial=advice.is_trial,
        screw=screw_view(known, screw),
    )


def _shim_plan(
    plan: Plan, stock: ShimStock, stack_um: tuple[float, ...], tolerance_um: float, *, is_known: bool = False
) -> Plan:
    """Choose shims; before the stack is known, only what would be added."""
    if not stock.counts or (plan.error_um > 0 and not is_known):
        return plan
    chosen = restack(stack_um, -plan.error_um, stock, tolerance_um=tolerance_um)
    change_um = sum(chosen.put_in_um) - sum(chosen.taken_out_um)
    move = Move(
        change_um=change_um,
        change_sd_um=SHIM_SD_UM,
        shims_in_um=chosen.put_in_um,
        shims_out_um=chosen.taken_out_um,
    )
    return replace(plan, move=move, leftover_um=chosen.choice.leftover_um, order=chosen.choice.order)


def _stock(connection: "Connection", own_um: tuple[float, ...]) -> ShimStock:
    return ShimStock.of(dict.fromkeys(own_um, NOT_COUNTED)) if own_um else stock_in(connection)
