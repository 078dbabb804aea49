"""Guided adjustments: begun from a verdict, led step by step, finished into a new epoch of the unit.

While it is under way an adjustment is its lines in the journal, which only grows: begun, each step answered
or taken back, given up or finished. What is finished is kept as an adjustment of its own.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.adjust.journal import (
    ANSWERED,
    BEGUN,
    FINISHED,
    GIVEN_UP,
    PLANNED,
    STOPPED,
    TAKEN_BACK,
    Kept,
    all_kept,
    find_kept,
    found_kept,
)
from shimwise.bench.adjust.moves import made_move, plan_of, restacked
from shimwise.bench.adjust.presenter import NOTED, view_kept
from shimwise.bench.adjust.sharpest import peak_by_eye, peak_of_sweep
from shimwise.bench.adjust.text import read_shim_change, read_shims, read_turns
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.history.histories import remember_move
from shimwise.bench.house.shim_stock import take_shims
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.states import refuse_unless_open
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.bench.verdict.recheck import line_of
from shimwise.bench.verdict.verdict import current_verdict
from shimwise.errors import RemedyError
from shimwise.record import journal
from shimwise.record.queries import verdicts
from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow
from shimwise.remedy import ShimmedMount
from shimwise.remedy.adjustment import Adjustment, begin, begin_lens
from shimwise.remedy.adjustment_steps import Guide, Move, Response, Step, answers_to

if TYPE_CHECKING:
    from shimwise.record import Change, Connection, Record

__all__ = [
    "adjustment",
    "adjustments",
    "answer_step",
    "begin_adjustment",
    "finish_adjustment",
    "give_up",
    "keep_peak",
    "take_back",
    "unfinished_in",
]

OUT = ("out_short", "out_deep")
_ACTIONS = {
    Guide.SCREW: "move sensor",
    Guide.SCREW_WITHOUT_LOCK: "move sensor",
    Guide.SHIMMED_MOUNT: "shim mount",
    Guide.FIXED: "send out",
    Guide.LENS_SHIM: "shim lens",
}


def begin_adjustment(
    record: "Record",
    prep_id: str,
    *,
    unit_kind: str,
    unit_id: str,
    who: str,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    reason: str = "",
) -> AdjustmentView:
    """Begin the adjustment of a unit: the prep is judged as it stands, and the move planned from that.

    Parameters
    ----------
    record : Record
        Where it is kept.
    prep_id : str
        The prep whose verdict says how far.
    unit_kind, unit_id : str
        ``body`` or ``lens``, of the prep.
    who : str
        Who adjusts.
    id : str, optional
        Made by the client: the same begin sent twice is one adjustment.
    reason : str
        Needed for a unit that is not judged out: why it is moved all the same.

    Raises
    ------
    InputError
        When the unit is not of the prep.
    NotFound
        When there is no such prep.
    Conflict
        When the prep is not open, there is nothing to judge, the unit is not out and no reason is given,
        how it is adjusted is not known, or another adjustment of it is under way.
    """
    person, adjustment_id = typed_name(who, field="who"), id_or_new(id)
    why = optional_name(reason, field="reason")
    with record.reading() as connection:
        kept = find_kept(connection, prep_id, adjustment_id)
        if kept is not None:
            return view_kept(connection, material_of(connection, prep_id), kept)
        refuse_unless_open(connection, prep_id)
        _unit(material_of(connection, prep_id), unit_kind, unit_id)
    document = current_verdict(record, prep_id).document
    with record.writing(who=person) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        unit = _unit(material, unit_kind, unit_id)
        _refuse_second(change.connection, unit)
        line = line_of(document, kind=unit_kind, name=unit.name)
        _refuse_needless(unit, line, why)
        plan = plan_of(change.connection, unit, line=line or {}, tolerance_um=material.tolerance_um)
        begun = _begun(unit, plan.move)
        detail = {
            "adjustment_id": adjustment_id,
            "unit_kind": unit_kind,
            "epoch": unit.epoch,
            "adjustment": begun.to_json(),
            "plan": plan.to_json(),
            "reason": why,
        }
        change.note(BEGUN, prep_id=prep_id, unit_id=unit_id, detail=detail)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def answer_step(
    record: "Record", prep_id: str, adjustment_id: str, *, step: str, answer: str, who: str, note: str = ""
) -> AdjustmentView:
    """Answer the step that is due.

    Parameters
    ----------
    step : str
        Its id, as the view has it.
    answer : str
        One of the step's choices; of the consent who gave it, of the place where the screw stands, of shims
        those that are in (``200 + 50``). Of the move ``done`` as planned, or what was done: ``0.08 turn
        clockwise``, ``30° anticlockwise``, ``in 50 out 20``.
    who : str
        Who answers.
    note : str
        Anything else.

    Raises
    ------
    InputError
        When the answer is none of the step's.
    NotFound
        When there is no such prep or adjustment.
    Conflict
        When the step is not due (a move before its lock was looked at), or the prep is not open.
    """
    person, words = typed_name(who, field="who"), typed_note(note)
    with record.writing(who=person) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        asked = _step(kept, step)
        before = kept.adjustment
        response, told, move = _answer(kept, asked, answer, words)
        try:
            after = before.confirm(asked, who=person, when=change.at, answer=response, note=told, move=move)
        except RemedyError as error:
            raise Conflict(str(error), kind="step", id=step) from error
        _note(change, kept, ANSWERED, {"event": after.to_json()["events"][-1]})
        material = material_of(change.connection, prep_id)
        if asked is Step.SHIMS_MEASURED and kept.guide in (Guide.SHIMMED_MOUNT, Guide.LENS_SHIM):
            _plan_stack(change, kept, material, told)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def keep_peak(
    record: "Record",
    prep_id: str,
    adjustment_id: str,
    *,
    who: str,
    sweep: Mapping[str, Any] | None = None,
    sharpest: str = "",
) -> AdjustmentView:
    """Keep where the picture is sharpest along the screw: the move that is due then leads there.

    Parameters
    ----------
    who : str
        Who found it.
    sweep : mapping, optional
        Result of a sweep whose frames are listed by turns; 0 is where the screw stood at first.
    sharpest : str
        Without a sweep, by eye: ``0.10 0.12 0.11 clockwise``.

    Raises
    ------
    InputError
        When the sweep tells no peak along a screw, or the places are none, or fewer than three.
    NotFound
        When there is no such prep or adjustment.
    Conflict
        When the move is not due (its lock was not looked at), nothing is turned, or the prep is not open.
    """
    person = typed_name(who, field="who")
    peak = peak_by_eye(sharpest) if sweep is None else peak_of_sweep(sweep)
    with record.writing(who=person) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        if kept.guide not in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK):
            raise Conflict(f"No screw is turned on {kept.unit_name}.", kind="adjustment", id=adjustment_id)
        due = kept.adjustment.next_step
        if due is not Step.MOVE:
            raise Conflict(
                f"The screw of {kept.unit_name} is turned at the step [move], after its lock was looked at. "
                f"Due now: {due or 'nothing'}.",
                kind="step",
                id=str(Step.MOVE),
            )
        planned = kept.plan.move
        move = peak.moving(planned.change_um, planned.change_sd_um)
        plan = replace(kept.plan, move=move, peak=peak.words, turns_sd=peak.half_turns / 2)
        _note(change, kept, PLANNED, {"plan": plan.to_json()})
        material = material_of(change.connection, prep_id)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def take_back(
    record: "Record", prep_id: str, adjustment_id: str, *, step: str, reason: str, who: str
) -> AdjustmentView:
    """Take a step back that was answered wrongly, and those after it with it; the trace stays.

    Raises
    ------
    InputError
        When no reason is given, or there is no such step.
    NotFound
        When there is no such prep or adjustment.
    Conflict
        When the step was not answered, the adjustment is over, or the prep is not open.
    """
    person, why = typed_name(who, field="who"), typed_name(reason, field="reason")
    with record.writing(who=person) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        try:
            after = kept.adjustment.take_back(_step(kept, step), who=person, when=change.at, reason=why)
        except RemedyError as error:
            raise Conflict(str(error), kind="step", id=step) from error
        _note(change, kept, TAKEN_BACK, {"event": after.to_json()["events"][-1]})
        material = material_of(change.connection, prep_id)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def give_up(record: "Record", prep_id: str, adjustment_id: str, *, reason: str, who: str) -> AdjustmentView:
    """Give an adjustment up before anything was moved.

    Raises
    ------
    InputError
        When no reason is given.
    NotFound
        When there is no such prep or adjustment.
    Conflict
        When the move was made, the adjustment is over, or the prep is not open.
    """
    person, why = typed_name(who, field="who"), typed_name(reason, field="reason")
    with record.writing(who=person) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        if Step.MOVE in kept.adjustment.confirmed:
            raise Conflict(
                f"{kept.unit_name} was moved: finish the adjustment. If it was not, take the step [move] "
                "back first.",
                kind="adjustment",
                id=adjustment_id,
            )
        _note(change, kept, GIVEN_UP, {"reason": why})
        material = material_of(change.connection, prep_id)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def finish_adjustment(record: "Record", prep_id: str, adjustment_id: str, *, who: str) -> AdjustmentView:
    """Finish an adjustment whose steps are all answered: a new epoch begins, shims leave the stock.

    What was known of the unit is carried over, with the move's own uncertainty; a screw that stayed locked
    was not moved, and its body stays in its epoch.

    Raises
    ------
    NotFound
        When there is no such prep or adjustment.
    Conflict
        When a step is not answered, the stock lacks a shim, the unit was adjusted meanwhile, or the prep is
        not open.
    """
    person = typed_name(who, field="who")
    with record.writing(who=person) as change:
        kept = found_kept(change.connection, prep_id, adjustment_id)
        if kept.state == "finished":
            return view_kept(change.connection, material_of(change.connection, prep_id), kept)
        kept = _under_way(change, prep_id, adjustment_id)
        due = kept.adjustment.next_step
        if due is not None:
            raise Conflict(
                f"The adjustment of {kept.unit_name} is not at its end. Due now: {due!s}.",
                kind="step",
                id=str(due),
            )
        material = material_of(change.connection, prep_id)
        if kept.adjustment.is_stopped:
            _note(change, kept, STOPPED, {})
        else:
            _keep(change, material, kept)
            material = material_of(change.connection, prep_id)
        return view_kept(change.connection, material, found_kept(change.connection, prep_id, adjustment_id))


def adjustment(record: "Record", prep_id: str, adjustment_id: str) -> AdjustmentView:
    """Give an adjustment.

    Raises
    ------
    NotFound
        When there is no such prep or adjustment.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return view_kept(connection, material, found_kept(connection, prep_id, adjustment_id))


def adjustments(record: "Record", prep_id: str) -> tuple[AdjustmentView, ...]:
    """List the adjustments of a prep as they were begun: under way, finished, given up.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return tuple(view_kept(connection, material, kept) for kept in all_kept(connection, prep_id))


def unfinished_in(connection: "Connection", material: PrepMaterial) -> tuple[AdjustmentView, ...]:
    """List the adjustments of a prep that are under way."""
    found = [kept for kept in all_kept(connection, material.prep.id) if kept.state == "begun"]
    return tuple(view_kept(connection, material, kept) for kept in found)


def _under_way(change: "Change", prep_id: str, adjustment_id: str) -> Kept:
    refuse_unless_open(change.connection, prep_id)
    kept = found_kept(change.connection, prep_id, adjustment_id)
    if kept.state != "begun":
        raise Conflict(
            f"This adjustment of {kept.unit_name} is {kept.state}. Begin another one to move it again.",
            kind="adjustment",
            id=adjustment_id,
        )
    return kept


def _note(change: "Change", kept: Kept, what: str, detail: Mapping[str, Any]) -> None:
    told = {"adjustment_id": kept.id, **detail}
    change.note(what, prep_id=kept.prep_id, unit_id=kept.unit_id, detail=told)


def _unit(material: PrepMaterial, unit_kind: str, unit_id: str) -> BodyRow | LensRow:
    of_kind: Mapping[str, BodyRow | LensRow] = material.bodies if unit_kind == "body" else material.lenses
    if unit_kind not in ("body", "lens") or unit_id not in of_kind:
        raise InputError(f"is no {unit_kind} of this prep.", field="unit_id", typed=unit_id)
    return of_kind[unit_id]


def _refuse_second(connection: "Connection", unit: BodyRow | LensRow) -> None:
    """Refuse a second adjustment of a unit, of any prep, while one is under way."""
    over: set[str] = set()
    for line in journal.journal_of_unit(connection, unit.id, limit=1000):
        adjustment_id = line.detail.get("adjustment_id", "")
        if line.what in (GIVEN_UP, STOPPED, FINISHED):
            over.add(adjustment_id)
        elif line.what == BEGUN and adjustment_id not in over:
            raise Conflict(
                f"An adjustment of {unit.name} is under way, begun by {line.who}. Finish it or give it up "
                "first.",
                kind="adjustment",
                id=adjustment_id,
            )


def _refuse_needless(unit: BodyRow | LensRow, line: Mapping[str, Any] | None, reason: str) -> None:
    if reason or (line is not None and line["verdict"] in OUT):
        return
    raise Conflict(
        f"{unit.name} is not judged to be out, so nothing is to be moved. Read on; or say why it is moved "
        "all the same.",
        kind="adjustment",
        id=unit.id,
    )


def _begun(unit: BodyRow | LensRow, planned: Move) -> Adjustment:
    if isinstance(unit, LensRow):
        return begin_lens(unit.name, planned=planned)
    try:
        return begin(unit.name, mechanism_of(unit.mechanism), planned=planned)
    except RemedyError as error:
        raise Conflict(str(error), kind="body", id=unit.id) from error


def _step(kept: Kept, step: str) -> Step:
    try:
        return Step(step)
    except ValueError as error:
        named = ", ".join(kept.adjustment.steps)
        raise InputError(
            f"is no step of this adjustment; it has {named}.", field="step", typed=step
        ) from error


def _answer(kept: Kept, step: Step, answer: str, note: str) -> tuple[Response, str, Move | None]:
    """Read an answer: the response, the note, and of a move what was made."""
    said = " ".join(answer.split())
    allowed = answers_to(step, kept.guide)
    response = next((one for one in allowed if one == said.casefold()), None)
    if not said:
        raise InputError("is no answer. Say what was done.", field="answer", typed=answer)
    if step in NOTED:
        told = note if response is not None else typed_name(said, field="answer")
        if step is Step.SHIMS_MEASURED and kept.guide is Guide.SHIMMED_MOUNT:
            read_shims(told)
        return Response.DONE, told, None
    if step is Step.MOVE and response is None and kept.guide is not Guide.FIXED:
        return Response.DONE, note, _typed_move(kept, said)
    if response is None:
        raise InputError(
            f"is no answer to [{step!s}]; accepted is {' or '.join(allowed)}.", field="answer", typed=said
        )
    return response, note, None


def _typed_move(kept: Kept, said: str) -> Move:
    if kept.guide in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK):
        turns, turn = read_turns(said, turn=kept.plan.move.turn)
        return Move(turns=turns, turn=turn, approach=turn)
    put_in, taken_out = read_shim_change(said)
    return Move(shims_in_um=put_in, shims_out_um=taken_out, change_um=sum(put_in) - sum(taken_out))


def _plan_stack(change: "Change", kept: Kept, material: PrepMaterial, told: str) -> None:
    """Plan the shims anew once those that are in were measured."""
    try:
        stack = read_shims(told)
    except InputError:
        return  # of a lens: what its technician wrote
    plan = restacked(
        change.connection,
        kept.plan,
        stack,
        own_um=_own_stock(_unit(material, kept.unit_kind, kept.unit_id)),
        tolerance_um=material.tolerance_um,
    )
    _note(change, kept, PLANNED, {"plan": plan.to_json()})


def _own_stock(unit: BodyRow | LensRow) -> tuple[float, ...]:
    """Thicknesses kept with a body, which are none of the house's counted ones. [µm]"""
    mechanism = mechanism_of(unit.mechanism) if isinstance(unit, BodyRow) else None
    return mechanism.stock_um if isinstance(mechanism, ShimmedMount) else ()


def _keep(change: "Change", material: PrepMaterial, kept: Kept) -> None:
    """Keep a finished adjustment: the row, the epoch, the history carried over, the stock."""
    unit = _unit(material, kept.unit_kind, kept.unit_id)
    adjusted = kept.adjustment
    made = made_move(change.connection, unit, adjusted)
    is_sent = adjusted.confirmed[Step.MOVE].answer is Response.SENT_OUT
    if adjusted.made is not None and not _own_stock(unit):
        try:
            take_shims(change, put_in_um=adjusted.made.shims_in_um, taken_out_um=adjusted.made.shims_out_um)
        except RemedyError as error:
            raise Conflict(str(error), kind="adjustment", id=kept.id) from error
    events = tuple(adjusted.to_json()["events"])
    verdicts.add_adjustment(
        change,
        AdjustmentRow(
            id=kept.id,
            unit_kind=kept.unit_kind,
            unit_id=kept.unit_id,
            action="send out" if is_sent else _ACTIONS[kept.guide],
            made_by=change.who,
            made_at=change.at,
            prep_id=kept.prep_id,
            epoch_before=kept.epoch,
            epoch_after=kept.epoch + 1,
            amount_um=made.amount_um,
            amount_sd_um=made.amount_sd_um,
            turns=made.turns,
            steps=events,
        ),
    )
    remember_move(change, material, unit, by_um=made.amount_um, sd_um=made.amount_sd_um)
