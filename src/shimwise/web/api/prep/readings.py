"""Readings: seen while typed, saved once, withdrawn with a reason and taken back; and the verdict on them."""

from fastapi import APIRouter, Depends, Response

from shimwise.bench.prep import readings
from shimwise.bench.verdict import verdict as verdicts
from shimwise.web.api.deps import JudgeDep, RecordDep, json_only
from shimwise.web.api.kinds import Id
from shimwise.web.api.prep.models import (
    Done,
    PreviewIn,
    PreviewOut,
    ReadingIn,
    ReadingOut,
    SavedReadingOut,
    VerdictOut,
    Withdrawal,
)
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}", tags=["readings"], responses=documented(404, 422, 503))
writes = documented(400, 409, 413, 415)
json_body = [Depends(json_only)]


@router.post(
    "/readings",
    status_code=201,
    dependencies=json_body,
    responses={**writes, 200: {"description": "It had been kept before; the first answer again."}},
)
def add_reading(
    record: RecordDep, judge: JudgeDep, prep_id: Id, new: ReadingIn, response: Response
) -> SavedReadingOut:
    """Save a reading; answers with its landing and whether it agrees with the others."""
    saved = readings.add_reading(
        record,
        prep_id,
        id=new.id,
        body_id=new.body_id,
        lens_id=new.lens_id,
        setup_id=new.setup_id,
        distance_text=new.distance_text,
        reading_text=new.reading_text,
        focal_mm=new.focal_mm,
        fnumber=new.fnumber,
        axis=new.axis,
        operator=new.operator,
        stop=new.stop,
        at=new.at,
        note=new.note,
        taken_at=new.taken_at,
        age_s=new.age_s,
    )
    if judge is not None and saved.is_new:
        judge.ask(prep_id)
    response.status_code = 201 if saved.is_new else 200
    return SavedReadingOut(
        reading=ReadingOut.model_validate(saved.view), is_new=saved.is_new, revision=saved.revision
    )


@router.post("/readings/preview", dependencies=json_body, responses=documented(400, 413, 415))
def preview_landing(record: RecordDep, prep_id: Id, typed: PreviewIn) -> PreviewOut:
    """Say what a reading would mean, while it is typed; nothing is kept."""
    return PreviewOut.model_validate(
        readings.preview_landing(
            record,
            prep_id,
            body_id=typed.body_id,
            lens_id=typed.lens_id,
            setup_id=typed.setup_id,
            distance_text=typed.distance_text,
            reading_text=typed.reading_text,
            focal_mm=typed.focal_mm,
            fnumber=typed.fnumber,
            axis=typed.axis,
        )
    )


@router.post("/readings/{reading_id}/withdraw", dependencies=json_body, responses=writes)
def withdraw_reading(
    record: RecordDep, judge: JudgeDep, prep_id: Id, reading_id: Id, why: Withdrawal
) -> ReadingOut:
    """Withdraw a reading with a reason; it stays in the record, and no verdict hears it."""
    view = readings.withdraw_reading(record, reading_id, reason=why.reason, who=why.who, prep_id=prep_id)
    if judge is not None:
        judge.ask(prep_id)
    return ReadingOut.model_validate(view)


@router.post("/readings/{reading_id}/undo", dependencies=json_body, responses=writes)
def undo_withdraw(record: RecordDep, judge: JudgeDep, prep_id: Id, reading_id: Id, done: Done) -> ReadingOut:
    """Take a withdrawal back."""
    view = readings.undo_withdraw(record, reading_id, who=done.who, prep_id=prep_id)
    if judge is not None:
        judge.ask(prep_id)
    return ReadingOut.model_validate(view)


@router.get("/verdict")
def verdict(record: RecordDep, prep_id: Id) -> VerdictOut:
    """Give the latest verdict; ``is_current`` tells whether it holds the latest reading."""
    return VerdictOut.model_validate(verdicts.given_verdict(record, prep_id))


@router.post("/verdict/refresh", dependencies=json_body, responses=writes)
def refresh_verdict(record: RecordDep, prep_id: Id, done: Done) -> VerdictOut:
    """Judge the prep as it stands, keep the verdict and give it."""
    del done  # who asks is not kept: a verdict is the program's
    return VerdictOut.model_validate(verdicts.current_verdict(record, prep_id))
