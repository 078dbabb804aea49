"""Labels for bodies and lenses in words: error with its uncertainty, date, lock, and a QR square."""

from collections.abc import Iterable, Iterator, Mapping

from shimwise.inference.verdict.answer import Answer, BodyAnswer
from shimwise.number_format import NOT_KNOWN
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import (
    PLACES,
    Data,
    Row,
    date_words,
    kind_of,
    row_of,
    text_of,
    unit_words,
)
from shimwise.sheets.words.pair_words import pair_text
from shimwise.sheets.words.shared import plain

LOCKED, FREE, NO_LOCK, ASK = "locked", "free", "no lock", "ask"
"""State of a body's sensor; ``ask``: not written down, to be ticked by hand."""
_LOCK_WORDS = {
    LOCKED: ("locked", "set", "stays locked"),
    FREE: ("free", "left free", "was free"),
    NO_LOCK: ("no lock",),
}


def label_rows(
    prep: PrepDocument, answer: Answer, units: Iterable[BodyAnswer], *, link: str = ""
) -> Iterator[Data]:
    """Yield the words of the label of each body and lens.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer
        Its verdict.
    units : iterable of BodyAnswer
        Units of its verdict.
    link : str
        Address of the house's pages for the QR square; without it the square names the unit by its id.
    """
    for unit in units:
        kind, words = kind_of(unit), {**unit_words(unit, answer), **_as_set(prep, answer, unit)}
        row = row_of(prep, unit)
        yield {
            **words,
            "error": "" if words["error"] == NOT_KNOWN else f"{words['error']} µm",
            "date": date_words(prep.dated),
            "lock": _lock(prep, row) if kind == "body" else "",
            "is_signed": prep.is_signed,
            "code": unit_code(kind, str(row.get("id") or unit.name), link),
            "digest": digest_words(prep.digest),
        }


def _as_set(prep: PrepDocument, answer: Answer, unit: BodyAnswer) -> Data:
    """Return what a lens does on the one body with which it was signed as a set, unless it is decided."""
    row = prep.sign_off if prep.is_signed else None
    pair = answer.pair(answer.bodies[0].name, unit.name) if len(answer.bodies) == 1 else None
    if not (row and row.get("as_set")) or pair is None or unit.verdict.is_decided:
        return {}
    return {"verdict": f"as a set on {plain(pair.body)}", "error": pair_text(pair), "way": pair.verdict.way}


def unit_code(kind: str, unit_id: str, link: str) -> str:
    """Return the text of a unit's QR square: its page's address, or its kind and id."""
    return f"{link.rstrip('/')}/{PLACES[kind]}/{unit_id}" if link else f"{kind}:{unit_id}"


def _lock(prep: PrepDocument, body: Row) -> str:
    """Return how the sensor was left by the last adjustment's answer; else it is to be ticked by hand."""
    mechanism = body.get("mechanism") or {}
    if mechanism.get("kind") in ("fixed", "shimmed mount"):
        return NO_LOCK
    for adjustment in reversed(prep.rows("adjustments")):
        if adjustment.get("unit_id") == body.get("id"):
            return [ASK, *_lock_answers(adjustment.get("steps") or ())][-1]
    return NO_LOCK if mechanism.get("has_lock") is False else ASK


def _lock_answers(events: Iterable[object]) -> list[str]:
    """Return the answers to the steps of the lock, in their order, without those that were taken back."""
    answers: dict[str, str] = {}
    for event in events:
        if isinstance(event, Mapping) and "lock" in (step := str(event.get("step") or "")):
            answers.pop(step, None)
            if event.get("event") != "taken back":
                answers[step] = text_of(event, "answer").casefold()
    return [state for answer in answers.values() for state, words in _LOCK_WORDS.items() if answer in words]
