"""Guided adjustments: begun from a verdict, led step by step, finished into a new epoch of the unit.

While it is under way an adjustment is its lines in the journal, which only grows: begun, each step answered
or taken back, given up or finished. What is finished is kept as an adjustment of its own.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from shimwise.bench import epochs
from shimwise.bench.adjust_moves import Plan, made_move, plan_of, restacked
from shimwise.bench.adjust_text import read_shim_change, read_shims, read_turns
from shimwise.bench.adjust_views import AdjustmentView, StepView
from shimwise.bench.prep_material import PrepMaterial, material_of
from shimwise.bench.prep_verdict import current_verdict
from shimwise.bench.recheck import line_of
from shimwise.bench.record_looks import refuse_unless_open
from shimwise.bench.refusals import Conflict, InputError, NotFound
from shimwise.bench.shim_stock import take_shims
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.bench.unit_knowledge import mechanism_of
from shimwise.errors import RemedyError
from shimwise.records.store import journal, units, verdicts
from shimwise.records.store.rows import AdjustmentRow, BodyRow, LensRow
from shimwise.remedy import ShimmedMount, procedure
from shimwise.remedy.adjustment import Adjustment, Confirmed, begin, begin_lens
from shimwise.remedy.adjustment_steps import Guide, Move, Response, Step, answers_to

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from shimwise.records.store import Change, Record
    from shimwise.records.store.rows import JournalRow

__all__ = [
    "adjustment",
    "adjustments",
    "answer_step",
    "begin_adjustment",
    "finish_adjustment",
    "give_up",
    "take_back",
    "unfinished_in",
]

BEGUN, ANSWERED, TAKEN_BACK = "adjustment begun", "adjustment step answered", "adjustment step taken back"
PLANNED, GIVEN_UP, STOPPED = "adjustment planned", "adjustment given up", "adjustment stopped at a lock"
FINISHED = "unit adjusted"
"""The line that the record writes with every adjustment that is kept."""
OUT = ("out_short", "out_deep")
MANY = 10**9
_NOTED = (Step.CONSENT, Step.PLACE, Step.SHIMS_MEASURED)
"""Steps whose answer is what was written: who consented, where the screw stands, which shims are in."""
_ACTIONS = {
    Guide.SCREW: "move sensor",
    Guide.SCREW_WITHOUT_LOCK: "move sensor",
    Guide.SHIMMED_MOUNT: "shim mount",
    Guide.FIXED: "send out",
    Guide.LENS_SHIM: "shim lens",
}
_GUIDE_WORDS = {
    Guide.SCREW: "A screw moves the sensor.",
    Guide.SCREW_WITHOUT_LOCK: "A screw moves the sensor; it is said to have no lock.",
    Guide.SHIMMED_MOUNT: "Shims at the mount set the flange depth.",
    Guide.FIXED: "The sensor is fixed: it is moved only by those the owner has authorised.",
    Guide.LENS_SHIM: "Shims in the lens: a lens technician's work.",
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
        kept = _find(connection, prep_id, adjustment_id)
        if kept is not None:
            return _view(connection, material_of(connection, prep_id), kept)
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
        return _view(change.connection, material, _found(change.connection, prep_id, adjustment_id))


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
        return _view(change.connection, material, _found(change.connection, prep_id, adjustment_id))


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
        return _view(change.connection, material, _found(change.connection, prep_id, adjustment_id))


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
        return _view(change.connection, material, _found(change.connection, prep_id, adjustment_id))


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
        kept = _found(change.connection, prep_id, adjustment_id)
        if kept.state == "finished":
            return _view(change.connection, material_of(change.connection, prep_id), kept)
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
        return _view(change.connection, material, _found(change.connection, prep_id, adjustment_id))


def adjustment(record: "Record", prep_id: str, adjustment_id: str) -> AdjustmentView:
    """Give an adjustment.

    Raises
    ------
    NotFound
        When there is no such prep or adjustment.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return _view(connection, material, _found(connection, prep_id, adjustment_id))


def adjustments(record: "Record", prep_id: str) -> tuple[AdjustmentView, ...]:
    """List the adjustments of a prep as they were begun: under way, finished, given up.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        return tuple(_view(connection, material, kept) for kept in _all(connection, prep_id))


def unfinished_in(connection: "Connection", material: PrepMaterial) -> tuple[AdjustmentView, ...]:
    """List the adjustments of a prep that are under way."""
    found = [kept for kept in _all(connection, material.prep.id) if kept.state == "begun"]
    return tuple(_view(connection, material, kept) for kept in found)


@dataclass(slots=True)
class _Kept:
    """An adjustment as the journal tells it."""

    id: str
    prep_id: str
    unit_kind: str
    unit_id: str
    epoch: int
    begun_at: datetime
    begun_by: str
    begun: Mapping[str, Any]
    plan: Plan
    events: list[Mapping[str, Any]] = field(default_factory=list)
    state: str = "begun"
    words: list[str] = field(default_factory=list)

    @property
    def adjustment(self) -> Adjustment:
        """All of it, every event having happened under the rules."""
        told = {**self.begun, "planned": self.plan.move.to_json(), "events": self.events}
        return Adjustment.from_json(told)

    @property
    def guide(self) -> Guide:
        return Guide(self.begun["guide"])

    @property
    def unit_name(self) -> str:
        return str(self.begun["unit"])


def _all(connection: "Connection", prep_id: str) -> list[_Kept]:
    found: dict[str, _Kept] = {}
    for line in journal.journal_after(connection, 0, prep_id=prep_id, limit=MANY):
        adjustment_id = line.detail.get("adjustment_id", "")
        if line.what == BEGUN:
            found[adjustment_id] = _from_line(line)
        elif adjustment_id in found:
            _take_line(found[adjustment_id], line)
    return list(found.values())


def _from_line(line: "JournalRow") -> _Kept:
    detail = line.detail
    return _Kept(
        id=detail["adjustment_id"],
        prep_id=line.prep_id or "",
        unit_kind=detail["unit_kind"],
        unit_id=line.unit_id or "",
        epoch=detail["epoch"],
        begun_at=line.at,
        begun_by=line.who,
        begun=detail["adjustment"],
        plan=Plan.from_json(detail["plan"]),
    )


def _take_line(kept: _Kept, line: "JournalRow") -> None:
    detail = line.detail
    if line.what in (ANSWERED, TAKEN_BACK):
        kept.events.append(detail["event"])
    if line.what == TAKEN_BACK:
        event = detail["event"]
        kept.words.append(f"{event['step']}, by {event['who']}: {event['reason']}")
    elif line.what == PLANNED:
        kept.plan = Plan.from_json(detail["plan"])
    elif line.what == GIVEN_UP:
        kept.state = "given up"
        kept.words.append(f"all of it, by {line.who}: {detail['reason']}")
    elif line.what == STOPPED:
        kept.state = "stopped"
    elif line.what == FINISHED:
        kept.state = "finished"


def _find(connection: "Connection", prep_id: str, adjustment_id: str) -> _Kept | None:
    return next((kept for kept in _all(connection, prep_id) if kept.id == adjustment_id), None)


def _found(connection: "Connection", prep_id: str, adjustment_id: str) -> _Kept:
    kept = _find(connection, prep_id, adjustment_id)
    if kept is None:
        raise NotFound("adjustment", adjustment_id)
    return kept


def _under_way(change: "Change", prep_id: str, adjustment_id: str) -> _Kept:
    refuse_unless_open(change.connection, prep_id)
    kept = _found(change.connection, prep_id, adjustment_id)
    if kept.state != "begun":
        raise Conflict(
            f"This adjustment of {kept.unit_name} is {kept.state}. Begin another one to move it again.",
            kind="adjustment",
            id=adjustment_id,
        )
    return kept


def _note(change: "Change", kept: _Kept, what: str, detail: Mapping[str, Any]) -> None:
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


def _step(kept: _Kept, step: str) -> Step:
    try:
        return Step(step)
    except ValueError as error:
        named = ", ".join(kept.adjustment.steps)
        raise InputError(
            f"is no step of this adjustment; it has {named}.", field="step", typed=step
        ) from error


def _answer(kept: _Kept, step: Step, answer: str, note: str) -> tuple[Response, str, Move | None]:
    """Read an answer: the response, the note, and of a move what was made."""
    said = " ".join(answer.split())
    allowed = answers_to(step, kept.guide)
    response = next((one for one in allowed if one == said.casefold()), None)
    if not said:
        raise InputError("is no answer. Say what was done.", field="answer", typed=answer)
    if step in _NOTED:
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


def _typed_move(kept: _Kept, said: str) -> Move:
    if kept.guide in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK):
        turns, turn = read_turns(said, turn=kept.plan.move.turn)
        return Move(turns=turns, turn=turn, approach=turn)
    put_in, taken_out = read_shim_change(said)
    return Move(shims_in_um=put_in, shims_out_um=taken_out, change_um=sum(put_in) - sum(taken_out))


def _plan_stack(change: "Change", kept: _Kept, material: PrepMaterial, told: str) -> None:
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


def _keep(change: "Change", material: PrepMaterial, kept: _Kept) -> None:
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
    latest = verdicts.latest_verdict(change.connection, kept.prep_id)
    line = line_of(None if latest is None else latest.document, kind=kept.unit_kind, name=unit.name) or {}
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
    mean_um, sd_um = line.get("error_um"), line.get("sd_um")
    if mean_um is None or sd_um is None:
        mean_um, sd_um = unit.history_mean_um, unit.history_sd_um
    history: tuple[float | None, float | None] = (None, None)
    if made.amount_um is not None and made.amount_sd_um is not None:
        history = epochs.carried(
            mean_um=mean_um,
            sd_um=sd_um,
            move_um=made.amount_um,
            move_sd_um=made.amount_sd_um,
            kind=kept.unit_kind,
        )
    moved: BodyRow | LensRow
    moved = (units.body if kept.unit_kind == "body" else units.lens)(change.connection, unit.id)
    epochs.keep_history(
        change, moved, mean_um=history[0], sd_um=history[1], what=epochs.CARRIED, prep_id=kept.prep_id
    )


def _view(connection: "Connection", material: PrepMaterial, kept: _Kept) -> AdjustmentView:
    adjusted = kept.adjustment
    is_over = kept.state != "begun"
    row = next((one for one in verdicts.adjustments(connection, kept.prep_id) if one.id == kept.id), None)
    error_um = abs(kept.plan.error_um)
    body = material.bodies.get(kept.unit_id)
    mechanism = None if body is None else mechanism_of(body.mechanism)
    cautions = (
        procedure.body_cautions(mechanism, amount_um=error_um)
        if kept.unit_kind == "body"
        else procedure.lens_cautions(amount_um=error_um)
    )
    return AdjustmentView(
        id=kept.id,
        prep_id=kept.prep_id,
        unit_kind=kept.unit_kind,
        unit_id=kept.unit_id,
        unit=kept.unit_name,
        mechanism=str(kept.guide),
        mechanism_words=_GUIDE_WORDS[kept.guide],
        state=kept.state,
        begun_at=kept.begun_at,
        begun_by=kept.begun_by,
        steps=tuple(_steps(adjusted, is_over=is_over)),
        move=kept.plan.view(),
        screw=kept.plan.screw,
        cautions=cautions,
        taken_back=tuple(kept.words),
        amount_um=None if row is None else row.amount_um,
        amount_sd_um=None if row is None else row.amount_sd_um,
        turns=None if row is None else row.turns,
    )


def _steps(adjusted: Adjustment, *, is_over: bool) -> Iterable[StepView]:
    for number, shown in enumerate(adjusted.view(), start=1):
        said = shown.confirmed
        yield StepView(
            id=str(shown.step),
            number=number,
            text=shown.words,
            kind=_answer_kind(shown.step, adjusted.guide),
            choices=tuple(map(str, shown.answers)),
            is_now=shown.is_next and not is_over,
            is_done=said is not None,
            answer="" if said is None else _answer_words(said),
            note="" if said is None else said.note,
            who="" if said is None else said.who,
            at=None if said is None else said.when,
        )


def _answer_kind(step: Step, guide: Guide) -> str:
    if step in _NOTED:
        return "text"
    if step is Step.MOVE and guide is not Guide.FIXED:
        return "turns" if guide in (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK) else "shims"
    return "choice"


def _answer_words(said: Confirmed) -> str:
    move = said.move
    if move is None or (move.turns is None and not (move.shims_in_um or move.shims_out_um)):
        return str(said.answer)
    if move.turns is not None:
        return f"{move.turns:.3g} turn {move.turn}"
    parts = [
        f"{way} {' + '.join(f'{shim:g}' for shim in shims)} µm"
        for way, shims in (("in", move.shims_in_um), ("out", move.shims_out_um))
        if shims
    ]
    return ", ".join(parts)
