"""How far to move: a screw from what is known of it, a mount from the shims at hand; and what a move made."""

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from shimwise.bench.adjust.views import MoveView, ScrewView
from shimwise.bench.errors import Conflict
from shimwise.bench.house.shim_stock import NOT_COUNTED, stock_in
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.verdict.screws import screw_history, seen_travel
from shimwise.errors import RemedyError
from shimwise.fields import build_from
from shimwise.inference.verdict.answer import Z95, Answer, BodyAnswer
from shimwise.number_format import decimal_text, half_digits, half_text
from shimwise.record import Connection
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.remedy.adjustment import Adjustment
from shimwise.remedy.adjustment_steps import Move
from shimwise.remedy.mechanism import Screw, ShimmedMount, Turn
from shimwise.remedy.screw_history import ScrewHistory, plan_turn, with_seen
from shimwise.remedy.stock import ShimStock, restack
from shimwise.sheets.words.adjustment_words import move_turns_text
from shimwise.sheets.words.shared import counted

SHIM_SD_UM = 1.0
"""Standard uncertainty of a shim's thickness, and of how it beds in. [µm] Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MovePlan:
    """What a unit's error needs: the whole change, the move that is made of it, and why."""

    error_um: float
    error_sd_um: float
    move: Move
    turns_sd: float | None = None
    is_trial: bool = False
    is_whole: bool = False
    leftover_um: float | None = None
    order: tuple[tuple[float, int], ...] = ()
    screw: ScrewView | None = None
    peak: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON."""
        return {**asdict(self), "move": self.move.to_json(), "order": [list(one) for one in self.order]}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "MovePlan":
        """Read what :meth:`to_json` wrote."""
        screw = data["screw"]
        read = {
            "move": Move.from_json(data["move"]),
            "order": tuple((float(size), int(count)) for size, count in data["order"]),
            "screw": None if screw is None else ScrewView(**screw),
        }
        return cls(**{**data, **read})

    def view(self) -> MoveView:
        """Return the view."""
        move = self.move
        way = "short" if self.error_um < 0 else "deep"
        half_um = Z95 * self.error_sd_um
        size = f"{decimal_text(abs(self.error_um), half_digits(half_um))} {half_text(half_um)} µm"
        words = f"{way} by {size}: " + (
            "add, or move away from the flange."
            if self.error_um < 0
            else "take away, or move toward the flange."
        )
        if self.is_trial and not self.peak:
            words += " The screw is not known well enough yet: "
            words += "read again after it." if self.is_whole else "a small first move, then read again."
        approach = move.approach or move.turn
        return build_from(
            MoveView,
            self,
            amount_um=-self.error_um,
            amount_sd_um=self.error_sd_um,
            words=words[0].upper() + words[1:],
            turns=move.turns,
            degrees=None if move.turns is None else 360.0 * move.turns,
            turn="" if move.turns is None or move.turn is None else move_turns_text(move),
            approach=f"Come up {approach} from one side, without reversing." if approach else "",
            put_in_um=move.shims_in_um,
            taken_out_um=move.shims_out_um,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveMade:
    """Change of a unit's error by a move [µm, + away from the flange], and the turns, + clockwise."""

    amount_um: float | None
    amount_sd_um: float | None
    turns: float | None = None


def plan_of(
    connection: Connection,
    unit: BodyRow | LensRow,
    *,
    answer: Answer,
    screw: ScrewHistory | None = None,
    tolerance_um: float,
) -> MovePlan:
    """Plan the move of a unit from the verdict; ``screw``: how the screw of a body was turned so far.

    Raises
    ------
    Conflict
        If the verdict contains no error of it.
    """
    judged = answer.unit("body" if isinstance(unit, BodyRow) else "lens", unit.name)
    if judged is None or not (math.isfinite(judged.error_um) and judged.sd_um > 0):
        raise Conflict(
            f"Nothing is known of the error of {unit.name} yet. Read it first.", kind="adjustment", id=unit.id
        )
    error_um, sd_um = judged.error_um, judged.sd_um
    plan = MovePlan(error_um=error_um, error_sd_um=sd_um, move=Move(change_um=-error_um, change_sd_um=sd_um))
    if screw is not None:
        return _screw_plan(screw, judged, answer, plan)
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    if isinstance(mechanism, ShimmedMount) or isinstance(unit, LensRow):
        own = mechanism.stock_um if isinstance(mechanism, ShimmedMount) else ()
        return _shim_plan(plan, _stock(connection, own), (), judged.tolerance_um or tolerance_um)
    return plan


def restacked(
    connection: Connection,
    plan: MovePlan,
    stack_um: tuple[float, ...],
    *,
    own_um: tuple[float, ...],
    tolerance_um: float,
) -> MovePlan:
    """Plan the shims again, with those in the mount; raise Conflict if more has to come out than is in."""
    try:
        return _shim_plan(plan, _stock(connection, own_um), stack_um, tolerance_um, is_known=True)
    except RemedyError as error:
        raise Conflict(str(error), kind="step", id="shims measured") from error


def made_move(connection: Connection, unit: BodyRow | LensRow, adjusted: Adjustment) -> MoveMade:
    """Return the change that the move is expected to have made, with its uncertainty."""
    made = adjusted.made
    if made is None:
        return MoveMade(amount_um=None, amount_sd_um=None)
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    if made.turns is not None and isinstance(mechanism, Screw) and isinstance(unit, BodyRow):
        return _turned(connection, unit, mechanism, made)
    if isinstance(mechanism, Screw) and made.change_um is not None:  # as the picture saw it move
        return MoveMade(amount_um=made.change_um, amount_sd_um=made.change_sd_um)
    change_um = sum(made.shims_in_um) - sum(made.shims_out_um)
    count = len(made.shims_in_um) + len(made.shims_out_um)
    return MoveMade(amount_um=change_um, amount_sd_um=SHIM_SD_UM * math.sqrt(max(1, count)))


def _turned(connection: Connection, body: BodyRow, screw: Screw, made: Move) -> MoveMade:
    from shimwise.inference.history.screw import travel_of

    clockwise = (made.turns or 0.0) * (1.0 if made.turn is Turn.CLOCKWISE else -1.0)
    past = screw_history(connection, body, screw)
    seen = seen_travel(made)
    pressed = past.pressed_from
    changed = None if pressed is None or not clockwise else pressed * clockwise < 0
    if made.is_after_play:
        changed = False
    known = past.known() if seen is None else with_seen(past.known(), seen)
    travel = travel_of(known, past.clockwise_is * clockwise, approach_changed=changed)
    return MoveMade(
        amount_um=travel.mean_um, amount_sd_um=max(travel.sd_um, SHIM_SD_UM), turns=clockwise or None
    )


def _screw_plan(history: ScrewHistory, judged: BodyAnswer, answer: Answer, plan: MovePlan) -> MovePlan:
    planned = plan_turn(history, judged, answer.readings)
    return build_from(
        MovePlan,
        planned,
        plan,
        move=build_from(Move, planned, is_after_play=True, approach=planned.turn),
        screw=_screw_view(history.with_readings(answer.readings), history.screw),
    )


def _screw_view(history: ScrewHistory, screw: Screw) -> ScrewView:
    known, is_seen = history.known(), any(one.seen for one in history.turned)
    low, high = known.um_per_turn_interval()
    away = str(screw.away or "")
    if not away and known.is_sense_known:
        away = str(Turn.CLOCKWISE if known.p_sense > 0.5 else Turn.ANTICLOCKWISE)
    moves = f"learned from {counted(known.count, 'move')}" if known.count else "not moved here yet"
    if is_seen:
        moves += ", its travel seen in frames"
    if known.count and screw.um_per_turn is not None:
        moves += f" (entered: {decimal_text(screw.um_per_turn)})"
    way = f"{away} is away from the flange" if away else "which way is away is not known"
    return ScrewView(
        um_per_turn=known.um_per_turn,
        um_per_turn_low=low,
        um_per_turn_high=high,
        backlash_um=known.backlash_mean_um,
        backlash_sd_um=known.backlash_sd_um,
        p_sense=known.p_sense,
        away=away,
        move_count=known.count,
        words=f"{decimal_text(known.um_per_turn)} µm a turn (95 %: {decimal_text(low)} to "
        f"{decimal_text(high)}), play about {decimal_text(known.backlash_mean_um)} µm, {moves}; {way}.",
    )


def _shim_plan(
    plan: MovePlan,
    stock: ShimStock,
    stack_um: tuple[float, ...],
    tolerance_um: float,
    *,
    is_known: bool = False,
) -> MovePlan:
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


def _stock(connection: Connection, own_um: tuple[float, ...]) -> ShimStock:
    return ShimStock.of(dict.fromkeys(own_um, NOT_COUNTED)) if own_um else stock_in(connection)
