"""What a body's screw is known to do: from what was typed of it, and from its moves before and after."""

import math
from typing import TYPE_CHECKING, Any

from shimwise.bench.adjust_views import ScrewView
from shimwise.bench.recheck import change_of, name_in
from shimwise.errors import InferenceError
from shimwise.records.store import verdicts
from shimwise.remedy import Screw, Turn

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from shimwise.inference.screw import ScrewKnowledge, ScrewMove
    from shimwise.records.store.rows import AdjustmentRow, BodyRow

__all__ = ["clockwise_is", "known_screw", "pressed_from", "screw_view"]

PAIR_SD_UM = 1.0
"""Least uncertainty of a change told by readings: tapes and seats move a little too. [µm] Chosen by us."""
BACKLASH_SD_UM = 1.0
"""How well a play that was typed is known: a step of its grid. [µm]"""
KNOWN_SHARE = 0.1
"""A typed travel without its uncertainty is taken to be right to this share. Chosen by us."""


def clockwise_is(screw: Screw) -> float:
    """Sign by which clockwise turns count as away from the flange; +1 while the sense is not known."""
    return -1.0 if screw.away is Turn.ANTICLOCKWISE else 1.0


def known_screw(connection: "Connection", body: "BodyRow", screw: Screw) -> "ScrewKnowledge":
    """Give the posterior of a screw: a move that no screw explains is left out."""
    from shimwise.inference.screw import learn

    known = _typed(screw)
    for move in _moves(connection, body, screw):
        try:
            known = learn(known, [move])
        except InferenceError:
            continue  # the lock held, or the turns were written down wrong; the page shows the pair itself
    return known


def pressed_from(connection: "Connection", body_id: str) -> float | None:
    """Sign of the last turn of a body's screw, + clockwise; None where it was never turned here."""
    turned = [row.turns for row in verdicts.unit_adjustments(connection, body_id) if row.turns]
    return math.copysign(1.0, turned[-1]) if turned else None


def screw_view(known: "ScrewKnowledge", screw: Screw) -> ScrewView:
    """Show what is known of a screw."""
    low, high = known.um_per_turn_interval()
    away = str(screw.away or "")
    if not away and known.is_sense_known:
        away = str(Turn.CLOCKWISE if known.p_sense > 0.5 else Turn.ANTICLOCKWISE)
    moves = f"learned from {known.count} move{'s' if known.count != 1 else ''}"
    return ScrewView(
        um_per_turn=known.um_per_turn,
        um_per_turn_low=low,
        um_per_turn_high=high,
        backlash_um=known.backlash_mean_um,
        backlash_sd_um=known.backlash_sd_um,
        p_sense=known.p_sense,
        away=away,
        move_count=known.count,
        words=f"{known.um_per_turn:.0f} µm a turn (95 %: {low:.0f} to {high:.0f}), play about "
        f"{known.backlash_mean_um:.0f} µm, {moves if known.count else 'not moved here yet'}; "
        + (f"{away} is away from the flange." if away else "which way is away is not known."),
    )


def _typed(screw: Screw) -> "ScrewKnowledge":
    """Give what was typed of a screw as a prior."""
    import numpy as np

    from shimwise.inference.screw import ScrewKnowledge, unknown_screw

    known = unknown_screw(p_sense=0.5 if screw.away is None else 1.0)
    flat = known.share
    if screw.um_per_turn is not None:
        sd = screw.um_per_turn_sd or KNOWN_SHARE * screw.um_per_turn
        sd = max(sd, 0.01 * screw.um_per_turn)  # the grid's own step
        flat = flat * np.exp(-0.5 * ((known.travel_um - screw.um_per_turn) / sd) ** 2)
    if screw.backlash_um is not None:
        flat = flat * np.exp(-0.5 * ((known.backlash_um - screw.backlash_um) / BACKLASH_SD_UM) ** 2)
    if not float(flat.sum()) > 0:
        return known
    share = flat / flat.sum()
    kept = share > 1e-12
    return ScrewKnowledge(
        share[kept] / share[kept].sum(),
        known.travel_um[kept],
        known.backlash_um[kept],
        known.sense[kept],
    )


def _moves(connection: "Connection", body: "BodyRow", screw: Screw) -> "list[ScrewMove]":
    rows = [row for row in verdicts.unit_adjustments(connection, body.id) if row.turns]
    moves: list[ScrewMove] = []
    before: float | None = None
    for row in rows:
        turns = row.turns or 0.0
        changed = None if before is None else (turns > 0) != (before > 0)
        before = turns
        move = _move(connection, body, row, turns=clockwise_is(screw) * turns, approach_changed=changed)
        if move is not None:
            moves.append(move)
    return moves


def _move(
    connection: "Connection",
    body: "BodyRow",
    row: "AdjustmentRow",
    *,
    turns: float,
    approach_changed: bool | None,
) -> "ScrewMove | None":
    from shimwise.inference.screw import ScrewMove

    latest = None if row.prep_id is None else verdicts.latest_verdict(connection, row.prep_id)
    if latest is None:
        return None
    document: Any = latest.document
    names = [
        name_in(document, kind="body", name=body.name, epoch=e) for e in (row.epoch_before, row.epoch_after)
    ]
    change = change_of(document, kind="body", before=names[0], after=names[1])
    if change is None or names[0] == names[1]:
        return None
    sd = math.hypot(change.sd_um, PAIR_SD_UM) / math.sqrt(2.0)
    return ScrewMove(
        turns=turns,
        approach_changed=approach_changed,
        before_um=0.0,
        before_sd_um=sd,
        after_um=change.mean_um,
        after_sd_um=sd,
    )
