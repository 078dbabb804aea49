"""Readings, by eye and by picture: previewed, saved once, withdrawn with a reason and back; their verdict."""

from typing import Any

from fastapi import Response

from shimwise.bench.prep import preview, readings
from shimwise.bench.prep.reading_check import TypedReading
from shimwise.bench.prep.views import PrepVerdict, Preview, ReadingView, SavedReading
from shimwise.bench.verdict import verdict as verdicts
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import Id
from shimwise.web.api.prep.requests import (
    PictureIn,
    PreviewIn,
    ReadingIn,
    ReadingNote,
    TakenIn,
    WhoIn,
    Withdrawal,
)
from shimwise.web.problems import documented

router = AnswerRouter(prefix="/preps/{prep_id}", tags=["readings"], responses=documented(404, 422, 503))
_KEPT_BEFORE: dict[int | str, dict[str, Any]] = {
    200: {"description": "It had been kept before; the first answer again."}
}


@router.post("/readings", status_code=201, **{**WRITES, "responses": WRITES["responses"] | _KEPT_BEFORE})
def add_reading(call: CallDep, prep_id: Id, new: ReadingIn, response: Response) -> SavedReading:
    """Save a reading; the answer has its landing and whether it agrees with the others."""
    return _saved(call, prep_id, new, response)


@router.post("/pictures", status_code=201, **{**WRITES, "responses": WRITES["responses"] | _KEPT_BEFORE})
def add_picture(call: CallDep, prep_id: Id, new: PictureIn, response: Response) -> SavedReading:
    """Save a landing by picture, one of the prep's readings; the answer is as of a reading."""
    return _saved(call, prep_id, new, response)


@router.post("/readings/preview", **WRITES)
def preview_landing(record: RecordDep, prep_id: Id, typed: PreviewIn) -> Preview:
    """Compute what a reading would mean, while it is typed; nothing is kept."""
    return preview.preview_landing(record, prep_id, TypedReading(**dict(typed)))


@router.post("/readings/{reading_id}/withdraw", **WRITES)
def withdraw_reading(call: CallDep, prep_id: Id, reading_id: Id, why: Withdrawal) -> ReadingView:
    """Withdraw a reading with a reason; it stays in the record, and no verdict uses it."""
    return call.judge_soon(
        prep_id, readings.withdraw_reading(call.record, reading_id, prep_id=prep_id, **call.sent(why))
    )


@router.post("/readings/{reading_id}/undo", **WRITES)
def undo_withdraw(call: CallDep, prep_id: Id, reading_id: Id, done: WhoIn) -> ReadingView:
    """Take a withdrawal back."""
    return call.judge_soon(
        prep_id, readings.undo_withdraw(call.record, reading_id, who=call.who(done.who), prep_id=prep_id)
    )


@router.post("/readings/{reading_id}/note", **WRITES)
def note_reading(call: CallDep, prep_id: Id, reading_id: Id, sent: ReadingNote) -> ReadingView:
    """Put a note to a reading."""
    return readings.note_reading(call.record, reading_id, prep_id=prep_id, **call.sent(sent))


def _saved(call: CallDep, prep_id: str, new: TakenIn, response: Response) -> SavedReading:
    saved = readings.add_reading(call.record, prep_id, by=call.actor, **dict(new))
    response.status_code = 201 if saved.is_new else 200
    return call.judge_soon(prep_id, saved, is_needed=saved.is_new)


@router.get("/verdict")
def verdict(record: RecordDep, prep_id: Id) -> PrepVerdict:
    """Return the latest verdict; ``is_current``: it includes the latest reading."""
    return verdicts.given_verdict(record, prep_id)


@router.post("/verdict/refresh", **WRITES)
def refresh_verdict(record: RecordDep, prep_id: Id, done: WhoIn) -> PrepVerdict:
    """Judge the prep as it is now, keep the verdict and return it."""
    del done  # who asks is not kept: a verdict is the program's
    return verdicts.current_verdict(record, prep_id)
