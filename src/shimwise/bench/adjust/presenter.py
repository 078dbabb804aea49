"""An adjustment as a view: steps with their answers, the move, what is known of the screw, cautions."""

from collections.abc import Iterable

from shimwise.bench.adjust.journal import KeptAdjustment
from shimwise.bench.adjust.sharpest import screw_sweeps
from shimwise.bench.adjust.views import AdjustmentView, ScrewSweepView, StepQuestion, StepView
from shimwise.bench.house.unit_knowledge import mechanism_of
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.prep.presenter import sweep_view
from shimwise.fields import build_from
from shimwise.inference.verdict.answer import Z95
from shimwise.number_format import size_text
from shimwise.record import Connection
from shimwise.record.queries import verdicts
from shimwise.remedy import procedure
from shimwise.remedy.adjustment import Adjustment, Confirmed
from shimwise.remedy.adjustment_steps import Guide, Step, StepAnswer, answers_to
from shimwise.remedy.mechanism import Screw
from shimwise.sheets.words.adjustment_words import WHO_CONSENTED, no_lock_text, step_text
from shimwise.sheets.words.notices import notice_text

NOTED = (Step.CONSENT, Step.PLACE, Step.SHIMS_MEASURED)
"""Steps whose answer is what was written: who consented, where the screw is, which shims are in."""
TURNED = (Guide.SCREW, Guide.SCREW_WITHOUT_LOCK)
_GUIDE_WORDS = {
    Guide.SCREW: "A screw moves the sensor.",
    Guide.SCREW_WITHOUT_LOCK: "A screw moves the sensor; it is said to have no lock.",
    Guide.SHIMMED_MOUNT: "Shims at the mount set the flange depth.",
    Guide.FIXED: "The sensor is fixed: it is moved only by those the owner has authorised.",
    Guide.LENS_SHIM: "Shims in the lens: a lens technician's work.",
}


def view_kept(connection: Connection, material: PrepMaterial, kept: KeptAdjustment) -> AdjustmentView:
    """Return the view of an adjustment."""
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
    is_turned = adjusted.next_step is Step.MOVE and kept.guide in TURNED and not is_over
    swept = [sweep_view(one, material) for one in (screw_sweeps(material, kept) if is_turned else ())]
    return build_from(
        AdjustmentView,
        kept,
        unit=kept.unit_name,
        mechanism=str(kept.guide),
        mechanism_words=_GUIDE_WORDS[kept.guide],
        steps=tuple(_steps(adjusted, is_over=is_over, has_lock=has_lock(material, kept))),
        move=kept.plan.view(),
        screw=kept.plan.screw,
        cautions=tuple(notice_text(one, is_house=True) for one in cautions),
        taken_back=tuple(kept.words),
        amount_um=None if row is None else row.amount_um,
        amount_sd_um=None if row is None else row.amount_sd_um,
        turns=None if row is None else row.turns,
        screw_sweeps=tuple(build_from(ScrewSweepView, one) for one in swept),
    )


def has_lock(material: PrepMaterial, kept: KeptAdjustment) -> bool:
    """Whether the screw of this body has a lock by the record."""
    body = material.bodies.get(kept.unit_id)
    mechanism = None if body is None else mechanism_of(body.mechanism)
    return isinstance(mechanism, Screw) and mechanism.has_lock is True


def _questions(adjusted: Adjustment, step: Step, *, has_lock: bool) -> Iterable[StepQuestion]:
    if step is not Step.LOCK:
        return
    if Step.CONSENT not in adjusted.confirmed:
        yield StepQuestion(choice=str(StepAnswer.RELEASED), field="consent", text=WHO_CONSENTED)
    if has_lock:
        text = no_lock_text(adjusted.unit)
        yield StepQuestion(choice=str(StepAnswer.NO_LOCK), field="note", text=text)


def _steps(adjusted: Adjustment, *, is_over: bool, has_lock: bool) -> Iterable[StepView]:
    confirmed, due = adjusted.confirmed, adjusted.next_step
    for number, step in enumerate(adjusted.steps, start=1):
        event = confirmed.get(step)
        yield StepView(
            id=str(step),
            number=number,
            text=step_text(step, adjusted.guide, adjusted.planned, stays_locked=adjusted.is_stopped),
            kind=_answer_kind(step, adjusted.guide),
            choices=tuple(map(str, answers_to(step, adjusted.guide))),
            questions=tuple(_questions(adjusted, step, has_lock=has_lock)),
            is_now=step is due and not is_over,
            is_done=event is not None,
            answer="" if event is None else _answer_words(event),
            note="" if event is None else event.note,
            who="" if event is None else event.who,
            at=None if event is None else event.when,
        )


def _answer_kind(step: Step, guide: Guide) -> str:
    if step in NOTED:
        return "text"
    if step is Step.MOVE and guide is not Guide.FIXED:
        return "turns" if guide in TURNED else "shims"
    return "choice"


def _answer_words(confirmed: Confirmed) -> str:
    move = confirmed.move
    if move is None:
        return str(confirmed.answer)
    if move.turns is None and not (move.shims_in_um or move.shims_out_um):
        if move.change_um is None or move.change_sd_um is None:
            return str(confirmed.answer)
        way = "away" if move.change_um >= 0 else "toward"
        return f"{size_text(move.change_um, Z95 * move.change_sd_um)} µm {way}, by the picture"
    if move.turns is not None:
        return f"{move.turns:.3g} turn {move.turn}{' after the play' if move.is_after_play else ''}"
    parts = [
        f"{way} {' + '.join(f'{shim:g}' for shim in shims)} µm"
        for way, shims in (("in", move.shims_in_um), ("out", move.shims_out_um))
        if shims
    ]
    return ", ".join(parts)
