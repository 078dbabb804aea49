"""How the screws of a prep's bodies were turned, from the record: what the judge may learn from them."""

from shimwise.bench.house.unit_knowledge import judged_name, mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial, latest_answer
from shimwise.inference.verdict.unit_change import change_between
from shimwise.record import Connection
from shimwise.record.queries import verdicts
from shimwise.record.tables.rows import AdjustmentRow, BodyRow
from shimwise.remedy.adjustment_steps import Move
from shimwise.remedy.mechanism import Screw
from shimwise.remedy.screw_history import ScrewHistory, SeenTravel, Turned


def screw_history(
    connection: Connection, body: BodyRow, screw: Screw, *, judged_in: str = ""
) -> ScrewHistory:
    """Return how a body's screw was turned; ``judged_in`` is the id of a prep that is about to be judged."""
    rows = [row for row in verdicts.unit_adjustments(connection, body.id) if row.turns]
    return ScrewHistory(
        screw=screw, turned=tuple(_turned(connection, body, row, judged_in=judged_in) for row in rows)
    )


def screws_of(connection: Connection, material: PrepMaterial) -> dict[str, ScrewHistory]:
    """Return the history of every screw of a prep that is about to be judged, by the name of its body."""
    return {
        body.name: screw_history(connection, body, mechanism, judged_in=material.prep.id)
        for body in material.bodies.values()
        if isinstance(mechanism := mechanism_of(body.mechanism), Screw)
    }


def _turned(connection: Connection, body: BodyRow, row: AdjustmentRow, *, judged_in: str) -> Turned:
    turns, epochs = row.turns or 0.0, (row.epoch_before, row.epoch_after)
    move = _move_of(row)
    is_after_play, seen = move.is_after_play, seen_travel(move)
    if judged_in and row.prep_id == judged_in:
        before, after = (judged_name(body.name, epoch=epoch, current=body.epoch) for epoch in epochs)
        return Turned(turns=turns, is_after_play=is_after_play, before=before, after=after, seen=seen)
    answer = None if row.prep_id is None else latest_answer(connection, row.prep_id)
    if answer is None:
        return Turned(turns=turns, is_after_play=is_after_play, seen=seen)
    # In that prep's verdict an epoch has its plain name unless the body was adjusted again before it.
    names = (judged_name(body.name, epoch=epoch, current=epoch + 1) for epoch in epochs)
    before, after = (body.name if answer.unit("body", name) is None else name for name in names)
    change = None
    if before != after:
        change = change_between(answer.readings, kind="body", before=before, after=after)
    return Turned(turns=turns, is_after_play=is_after_play, change=change, seen=seen)


def seen_travel(move: Move) -> SeenTravel | None:
    """Return the travel that frames along the screw showed at a move; None where there were none."""
    if move.seen_um_per_turn is None or move.seen_um_per_turn_sd is None:
        return None
    return SeenTravel(move.seen_um_per_turn, move.seen_um_per_turn_sd)


def _move_of(row: AdjustmentRow) -> Move:
    """Return the move of an adjustment as its steps have it, the last one where it was made anew."""
    moves = [event["move"] for event in row.steps or () if event.get("move")]
    return Move.from_json(moves[-1]) if moves else Move()
