"""What a body's screw is known to do: from what was typed of it, and from its moves before and after."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.adjust.views import ScrewView
from shimwise.bench.house.unit_knowledge import judged_name, mechanism_of
from shimwise.bench.verdict.recheck import Change, change_of, name_in
from shimwise.errors import InferenceError
from shimwise.record.queries import verdicts
from shimwise.remedy import PlannedTurn, Screw, Turn

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.inference.history.screw import ScrewKnowledge, ScrewMove, TurnAdvice
    from shimwise.inference.verdict.answer import Answer
    from shimwise.record import Connection
    from shimwise.record.tables.rows import AdjustmentRow, BodyRow

__all__ = ["ScrewPast", "Turned", "planned_turns", "screw_past", "screw_view", "screws_of"]

PAIR_SD_UM = 1.0
"""Least uncertainty of a change told by readings: tapes and seats move a little too. [µm] Chosen by us."""
BACKLASH_SD_UM = 1.0
"""How well a play that was typed is known: a step of its grid. [µm]"""
KNOWN_SHARE = 0.1
"""A typed travel without its uncertainty is taken to be right to this share. Chosen by us."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """One time that a screw was turned.

    ``turns``: + clockwise. ``change``: what it changed, None where no readings tell it. ``before`` and
    ``after``, where it was turned in a prep that is about to be judged: the body's names there.
    """

    turns: float
    change: Change | None = None
    before: str = ""
    after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScrewPast:
    """What is written of a screw and how it was turned, oldest first: plain values that go to the judge."""

    screw: Screw
    turned: tuple[Turned, ...] = ()

    @property
    def clockwise_is(self) -> float:
        """Sign by which clockwise turns count as away from the flange; +1 while the sense is not known."""
        return -1.0 if self.screw.away is Turn.ANTICLOCKWISE else 1.0

    @property
    def pressed_from(self) -> float | None:
        """Sign of the last turn, + clockwise; None where it was never turned here."""
        return math.copysign(1.0, self.turned[-1].turns) if self.turned else None

    def seen_in(self, document: Mapping[str, Any]) -> "ScrewPast":
        """Let the readings of a verdict tell what the turns in its own prep changed."""
        return replace(
            self,
            turned=tuple(
                replace(one, change=change_of(document, kind="body", before=one.before, after=one.after))
                if one.before
                else one
                for one in self.turned
            ),
        )

    def known(self) -> "ScrewKnowledge":
        """Give the posterior of the screw: a move that no screw explains is left out."""
        from shimwise.inference.history.screw import learn

        known = _typed(self.screw)
        for move in self._moves():
            try:
                known = learn(known, [move])
            except InferenceError:
                continue  # the lock held, or the turns were written down wrong; the page shows the pair
        return known

    def advice(
        self, known: "ScrewKnowledge", *, error_um: float, error_sd_um: float, tolerance_um: float
    ) -> "TurnAdvice":
        """Say how far to turn for an error to go; + turns are in the sense taken to be away."""
        from shimwise.inference.history.screw import turns_for

        pressed = self.pressed_from
        away = self.clockwise_is * (1.0 if known.p_sense >= 0.5 else -1.0)
        wanted = math.copysign(away, -error_um * away)
        return turns_for(
            known,
            -error_um,
            change_sd_um=error_sd_um,
            tolerance_um=tolerance_um,
            approach_changed=None if pressed is None else pressed * wanted < 0,
        )

    def sense_of(self, turns: float) -> Turn:
        """Which way + turns, or - turns, are."""
        return Turn.CLOCKWISE if self.clockwise_is * turns > 0 else Turn.ANTICLOCKWISE

    def _moves(self) -> "list[ScrewMove]":
        from shimwise.inference.history.screw import ScrewMove

        moves: list[ScrewMove] = []
        before: float | None = None
        for one in self.turned:
            changed = None if before is None else (one.turns > 0) != (before > 0)
            before = one.turns
            if one.change is not None:
                moves.append(
                    ScrewMove.of_change(
                        turns=self.clockwise_is * one.turns,
                        approach_changed=changed,
                        change_um=one.change.mean_um,
                        change_sd_um=math.hypot(one.change.sd_um, PAIR_SD_UM),
                    )
                )
        return moves


def screw_past(connection: "Connection", body: "BodyRow", screw: Screw, *, judged_in: str = "") -> ScrewPast:
    """Look up how a body's screw was turned; ``judged_in`` is the id of a prep that is about to be judged."""
    rows = [row for row in verdicts.unit_adjustments(connection, body.id) if row.turns]
    return ScrewPast(
        screw=screw, turned=tuple(_turned(connection, body, row, judged_in=judged_in) for row in rows)
    )


def screws_of(connection: "Connection", material: "PrepMaterial") -> dict[str, ScrewPast]:
    """Give the past of every screw of a prep that is about to be judged, by the name of its body."""
    found = {}
    for body in material.bodies.values():
        mechanism = mechanism_of(body.mechanism)
        if isinstance(mechanism, Screw):
            found[body.name] = screw_past(connection, body, mechanism, judged_in=material.prep.id)
    return found


def planned_turns(
    screws: Mapping[str, ScrewPast], answer: "Answer", document: Mapping[str, Any]
) -> dict[str, PlannedTurn]:
    """Plan the turn of every body that is judged out, by what its screw has shown up to this verdict.

    Parameters
    ----------
    screws : mapping of str to ScrewPast
        By body.
    answer, document : Answer and mapping
        The verdict, and its document.
    """
    planned = {}
    for body in answer.bodies:
        past = screws.get(body.name)
        if past is None or not body.verdict.value.startswith("out"):
            continue
        known = past.seen_in(document).known()
        advice = past.advice(
            known, error_um=body.error_um, error_sd_um=body.sd_um, tolerance_um=body.tolerance_um
        )
        low_um, high_um = known.um_per_turn_interval()
        planned[body.name] = PlannedTurn(
            turns=abs(advice.turns),
            turns_sd=advice.turns_sd,
            turn=past.sense_of(advice.turns),
            is_trial=advice.is_trial,
            is_sense_known=known.is_sense_known,
            travel_low_um=low_um,
            travel_high_um=high_um,
            moves=known.count,
        )
    return planned


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

    from shimwise.inference.history.screw import ScrewKnowledge, unknown_screw

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


def _turned(connection: "Connection", body: "BodyRow", row: "AdjustmentRow", *, judged_in: str) -> Turned:
    turns, epochs = row.turns or 0.0, (row.epoch_before, row.epoch_after)
    if judged_in and row.prep_id == judged_in:
        before, after = (judged_name(body.name, epoch=epoch, current=body.epoch) for epoch in epochs)
        return Turned(turns=turns, before=before, after=after)
    latest = None if row.prep_id is None else verdicts.latest_verdict(connection, row.prep_id)
    if latest is None:
        return Turned(turns=turns)
    document: Any = latest.document
    before, after = (name_in(document, kind="body", name=body.name, epoch=epoch) for epoch in epochs)
    change = None if before == after else change_of(document, kind="body", before=before, after=after)
    return Turned(turns=turns, change=change)
