"""Guided adjustments: begun from a verdict, led step by step, finished into a new epoch of the unit.

While it is under way an adjustment is its lines in the journal, which only grows: begun, each step answered
or taken back, given up or finished. What is finished is kept as an adjustment of its own.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.adjust import finishing
from shimwise.bench.adjust.errors import ConsentNeeded, LockDoubted, MechanismUnknown
from shimwise.bench.adjust.finishing import unit_of
from shimwise.bench.adjust.journal import (
    ANSWERED,
    BEGUN,
    FINISHED,
    GIVEN_UP,
    PLANNED,
    STOPPED,
    TAKEN_BACK,
    KeptAdjustment,
    all_kept,
    find_kept,
    found_kept,
)
from shimwise.bench.adjust.moves import plan_of
from shimwise.bench.adjust.presenter import TURNED, has_lock, view_kept
from shimwise.bench.adjust.sharpest import peak_by_eye, peak_of_kept, peak_of_sweep
from shimwise.bench.adjust.step_answers import read_answer, read_step, split_lock_answer
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.states import refuse_unless_open
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.bench.verdict.screws import screws_of
from shimwise.bench.verdict.verdict import current_verdict
from shimwise.errors import RemedyError
from shimwise.inference.verdict.answer import OUT, BodyAnswer
from shimwise.record import Connection, journal
from shimwise.record.record import Change, Record
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.remedy.adjustment import Adjustment, ConsentError, begin, begin_lens
from shimwise.remedy.adjustment_steps import Move, Step, StepAnswer
from shimwise.sheets.json.verdict_json import answer_from_json


def begin_adjustment(
    record: Record,
    prep_id: str,
    *,
    unit_kind: str,
    unit_id: str,
    who: Who,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    reason: str = "",
) -> AdjustmentView:
    """Begin the adjustment of a unit: judge the prep, and plan the move from the verdict.

    Parameters
    ----------
    prep_id : str
        The prep whose verdict determines how far.
    unit_kind, unit_id : str
        ``body`` or ``lens``, of the prep.
    who : str
        Who adjusts.
    id : str, optional
        Made by the client: the same begin sent twice is one adjustment.
    reason : str
        Needed for a unit that is not out: why it is moved all the same.

    Raises
    ------
    InputError
        If the unit is not of the prep.
    Conflict
        If the prep is not open, there is nothing to judge, the unit is not out and no reason is given, its
        mechanism is not known, or another adjustment of it is under way.
    """
    permitted(who, Act.ADJUST)
    adjustment_id, why = id_or_new(id), optional_name(reason, field="reason")
    with record.reading() as connection:
        kept = find_kept(connection, prep_id, adjustment_id)
        if kept is not None:
            return view_kept(connection, material_of(connection, prep_id), kept)
        refuse_unless_open(connection, prep_id)
        unit_of(material_of(connection, prep_id), unit_kind, unit_id)
    answer = answer_from_json(current_verdict(record, prep_id).document)
    with changing(record, who, Act.ADJUST) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        unit = unit_of(material, unit_kind, unit_id)
        _refuse_second(change.connection, unit)
        judged = answer.unit(unit_kind, unit.name)
        _refuse_needless(unit, judged, why)
        screw = screws_of(change.connection, material).get(unit.name) if unit_kind == "body" else None
        plan = plan_of(
            change.connection, unit, answer=answer, screw=screw, tolerance_um=material.tolerance_um
        )
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
    record: Record,
    prep_id: str,
    adjustment_id: str,
    *,
    step: str,
    answer: str,
    who: Who,
    note: str = "",
    consent: str = "",
) -> AdjustmentView:
    """Answer the step that is due.

    Parameters
    ----------
    step : str
        Its id, as in the view.
    answer : str
        One of the step's choices; of the consent who gave it, of the place where the screw is, of shims those
        that are in (``200 + 50``). Of the move ``done`` as planned, or what was done: ``0.08 turn
        clockwise``, ``30° anticlockwise``, ``in 50 out 20``. What is asked with an answer about the lock may
        follow it: ``released: the owner, by phone``, ``no lock: a blind plug``.
    who : str
        Who answers.
    note : str
        Anything else; of a body that has a lock by the record, what was found where there is none.
    consent : str
        Who gave consent to release the lock, unless that step was answered before.

    Raises
    ------
    InputError
        If the answer is none of the step's.
    ConsentNeeded
        If a lock is to be released without the owner's consent.
    LockDoubted
        If there is no lock though the record has one, and what was found is not noted.
    Conflict
        If the step is not due (a move before its lock was looked at), or the prep is not open.
    """
    permitted(who, Act.ADJUST)
    words = typed_note(note)
    with changing(record, who, Act.ADJUST) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        asked = read_step(kept, step)
        typed, detail = split_lock_answer(asked, answer)
        response, noted, move = read_answer(kept, asked, typed, words)
        before = kept.adjustment
        steps = [(asked, response, noted)]
        if response is StepAnswer.RELEASED and Step.CONSENT not in before.confirmed:
            owner = optional_name(consent, field="consent") or detail
            steps = [(Step.CONSENT, StepAnswer.DONE, owner)] * bool(owner) + steps
        elif detail:
            steps = [(asked, response, typed_note(f"{detail}. {noted}" if noted else detail))]
        material = material_of(change.connection, prep_id)
        if response is StepAnswer.NO_LOCK and has_lock(material, kept) and not steps[0][2]:
            raise LockDoubted(unit=kept.unit_name, step=step)
        for one, response, by in steps:
            before = _confirmed(change, kept, before, one, response, note=by, move=move)
        if asked is Step.SHIMS_MEASURED:
            finishing.plan_stack(change, kept, material, noted)
        return _shown(change, kept)


def _confirmed(
    change: Change,
    kept: KeptAdjustment,
    before: Adjustment,
    step: Step,
    answer: StepAnswer,
    *,
    note: str,
    move: Move | None,
) -> Adjustment:
    """Confirm a step, and write it into the journal."""
    try:
        after = before.confirm(step, who=change.who, when=change.at, answer=answer, note=note, move=move)
    except ConsentError as error:
        raise ConsentNeeded(str(error), unit=error.unit, step=str(step)) from error
    except RemedyError as error:
        raise Conflict(str(error), kind="step", id=str(step)) from error
    finishing.note(change, kept, ANSWERED, {"event": after.to_json()["events"][-1]})
    return after


def keep_peak(
    record: Record,
    prep_id: str,
    adjustment_id: str,
    *,
    who: Who,
    sweep: Mapping[str, Any] | None = None,
    sweep_id: str | None = None,
    sharpest: str = "",
) -> AdjustmentView:
    """Keep where the picture is sharpest along the screw: the move that is due then leads there.

    Parameters
    ----------
    who : str
        Who found it.
    sweep : mapping, optional
        Result of a sweep whose frames are listed by turns; 0 is where the screw was at first.
    sweep_id : str, optional
        A sweep along the screw that was kept in the prep since the adjustment was begun, instead.
    sharpest : str
        Without a sweep, by eye: ``0.10 0.12 0.11 clockwise``.

    Raises
    ------
    InputError
        If the sweep has no peak along this screw, or is from before the adjustment; if the places are none,
        or fewer than three.
    Conflict
        If the move is not due (its lock was not looked at), nothing is turned, or the prep is not open.
    """
    permitted(who, Act.ADJUST)
    if sweep is not None and sweep_id:
        raise InputError("names a second sweep. Give one, by its result or by its id.", field="sweep_id")
    with changing(record, who, Act.ADJUST) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        if kept.guide not in TURNED:
            raise Conflict(f"No screw is turned on {kept.unit_name}.", kind="adjustment", id=adjustment_id)
        due = kept.adjustment.next_step
        if due is not Step.MOVE:
            raise Conflict(
                f"The screw of {kept.unit_name} is turned at the step [move], after its lock was looked at. "
                f"Due now: {due or 'nothing'}.",
                kind="step",
                id=str(Step.MOVE),
            )
        if sweep_id:
            peak = peak_of_kept(material_of(change.connection, prep_id), kept, sweep_id)
        else:
            peak = peak_by_eye(sharpest) if sweep is None else peak_of_sweep(sweep)
        move = peak.moving(kept.plan.move.change_um, kept.plan.move.change_sd_um)
        plan = replace(kept.plan, move=move, peak=peak.words, turns_sd=peak.half_turns / 2)
        finishing.note(change, kept, PLANNED, {"plan": plan.to_json()})
        return _shown(change, kept)


def take_back(
    record: Record, prep_id: str, adjustment_id: str, *, step: str, reason: str, who: Who
) -> AdjustmentView:
    """Take a step back that was answered wrongly, and those after it with it; the trace stays.

    Raises
    ------
    InputError
        If no reason is given, or there is no such step.
    Conflict
        If the step was not answered, the adjustment is over, or the prep is not open.
    """
    person, why = permitted(who, Act.ADJUST), typed_name(reason, field="reason")
    with changing(record, who, Act.ADJUST) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        try:
            after = kept.adjustment.take_back(read_step(kept, step), who=person, when=change.at, reason=why)
        except RemedyError as error:
            raise Conflict(str(error), kind="step", id=step) from error
        finishing.note(change, kept, TAKEN_BACK, {"event": after.to_json()["events"][-1]})
        return _shown(change, kept)


def give_up(record: Record, prep_id: str, adjustment_id: str, *, reason: str, who: Who) -> AdjustmentView:
    """Abandon an adjustment before anything was moved.

    Raises
    ------
    InputError
        If no reason is given.
    Conflict
        If the move was made, the adjustment is over, or the prep is not open.
    """
    permitted(who, Act.ADJUST)
    why = typed_name(reason, field="reason")
    with changing(record, who, Act.ADJUST) as change:
        kept = _under_way(change, prep_id, adjustment_id)
        if Step.MOVE in kept.adjustment.confirmed:
            raise Conflict(
                f"{kept.unit_name} was moved: finish the adjustment. If it was not, take the step [move] "
                "back first.",
                kind="adjustment",
                id=adjustment_id,
            )
        finishing.note(change, kept, GIVEN_UP, {"reason": why})
        return _shown(change, kept)


def finish_adjustment(record: Record, prep_id: str, adjustment_id: str, *, who: Who) -> AdjustmentView:
    """Finish an adjustment whose steps are all answered: a new epoch begins, shims leave the stock.

    The memory of the unit is carried over, with the move's own uncertainty; a screw that stayed locked was
    not moved, and its body stays in its epoch.

    Raises
    ------
    Conflict
        If a step is not answered, the stock lacks a shim, the unit was adjusted meanwhile, or the prep is not
        open.
    """
    with changing(record, who, Act.ADJUST) as change:
        kept = found_kept(change.connection, prep_id, adjustment_id)
        if kept.state == "finished":
            return _shown(change, kept)
        kept = _under_way(change, prep_id, adjustment_id)
        due = kept.adjustment.next_step
        if due is not None:
            raise Conflict(
                f"The adjustment of {kept.unit_name} is not at its end. Due now: {due!s}.",
                kind="step",
                id=str(due),
            )
        if kept.adjustment.is_stopped:
            finishing.note(change, kept, STOPPED, {})
        else:
            finishing.keep_finished(change, material_of(change.connection, prep_id), kept)
        return _shown(change, kept)


def adjustment(record: Record, prep_id: str, adjustment_id: str) -> AdjustmentView:
    """Return an adjustment; raise NotFound if there is no such prep or adjustment."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return view_kept(connection, material, found_kept(connection, prep_id, adjustment_id))


def adjustments(record: Record, prep_id: str) -> tuple[AdjustmentView, ...]:
    """Return the adjustments of a prep in the order they were begun: under way, finished, given up."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return tuple(view_kept(connection, material, kept) for kept in all_kept(connection, prep_id))


def unfinished_in(connection: Connection, material: PrepMaterial) -> tuple[AdjustmentView, ...]:
    """Return the adjustments of a prep that are under way."""
    found = [kept for kept in all_kept(connection, material.prep.id) if kept.state == "begun"]
    return tuple(view_kept(connection, material, kept) for kept in found)


def _shown(change: Change, kept: KeptAdjustment) -> AdjustmentView:
    """Return the view of an adjustment after the change."""
    connection = change.connection
    material = material_of(connection, kept.prep_id)
    return view_kept(connection, material, found_kept(connection, kept.prep_id, kept.id))


def _under_way(change: Change, prep_id: str, adjustment_id: str) -> KeptAdjustment:
    refuse_unless_open(change.connection, prep_id)
    kept = found_kept(change.connection, prep_id, adjustment_id)
    if kept.state != "begun":
        raise Conflict(
            f"This adjustment of {kept.unit_name} is {kept.state}. Begin another one to move it again.",
            kind="adjustment",
            id=adjustment_id,
        )
    return kept


def _refuse_second(connection: Connection, unit: BodyRow | LensRow) -> None:
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


def _refuse_needless(unit: BodyRow | LensRow, judged: BodyAnswer | None, reason: str) -> None:
    if reason or (judged is not None and judged.verdict in OUT):
        return
    raise Conflict(
        f"{unit.name} is not judged to be out, so nothing is to be moved. Read on; or write why it is moved "
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
        raise MechanismUnknown(str(error), unit=unit.name, unit_id=unit.id) from error
