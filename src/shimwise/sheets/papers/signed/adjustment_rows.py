"""What was done at an adjustment beside its move, in words: who gave consent, and how the lock was left."""

from collections.abc import Iterable, Iterator, Mapping

from shimwise.remedy.adjustment_steps import Step, StepAnswer
from shimwise.sheets.papers.signed.rows_words import Row, text_of
from shimwise.sheets.words.shared import capital

_LOCK: Mapping[str, str] = {
    StepAnswer.RELEASED: "lock released",
    StepAnswer.WAS_FREE: "lock was free",
    StepAnswer.NO_LOCK: "no lock",
    StepAnswer.STAYS_LOCKED: "lock not released",
}
_LOCK_AFTER: Mapping[str, str] = {StepAnswer.SET: "lock set again", StepAnswer.LEFT_FREE: "lock left free"}


def adjustment_steps_text(events: Iterable[object]) -> str:
    """Return who gave consent and what was done with the lock, in a sentence; empty where neither is kept.

    Parameters
    ----------
    events : iterable
        Steps of an adjustment as its row keeps them; a step taken back takes those after it back too.
    """
    parts = list(_parts(_valid(events)))
    return f"{capital('; '.join(parts))}." if parts else ""


def _valid(events: Iterable[object]) -> dict[str, Row]:
    valid: dict[str, Row] = {}
    for event in events:
        if not isinstance(event, Mapping):
            continue
        step = text_of(event, "step")
        if event.get("event") != "taken back":
            valid[step] = event
        elif step in valid:
            valid = dict(list(valid.items())[: list(valid).index(step)])
    return valid


def _parts(steps: Mapping[str, Row]) -> Iterator[str]:
    consent, lock = steps.get(Step.CONSENT, {}), steps.get(Step.LOCK, {})
    if consent:
        yield f"consent: {text_of(consent, 'note') or 'confirmed by ' + text_of(consent, 'who')}"
    if words := _LOCK.get(text_of(lock, "answer")):
        note = text_of(lock, "note")
        is_released = text_of(lock, "answer") == StepAnswer.RELEASED
        yield words + (f", consent: {note}" if note and is_released else f" ({note})" if note else "")
    if words := _LOCK_AFTER.get(text_of(steps.get(Step.LOCK_AFTER, {}), "answer")):
        yield words
