"""Labels for bodies and lenses in words: error with its uncertainty, date, lock, and a QR square."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from shimwise.inference.verdict.answer import Answer, BodyAnswer, Verdict
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import date_words, present_name, u_text
from shimwise.sheets.words.shared import VERDICT_WORDS, plain

LOCKED, FREE, NO_LOCK, ASK = "locked", "free", "no lock", "ask"
"""How a body's sensor stands; ``ask``: not written down, to be ticked by hand."""
_LOCK_WORDS = {
    LOCKED: ("locked", "set", "stays locked"),
    FREE: ("free", "left free", "was free"),
    NO_LOCK: ("no lock",),
}
Row = Mapping[str, Any]
Data = dict[str, Any]


def label_rows(
    prep: PrepDocument, answer: Answer, *, link: str = "", names: Iterable[str] = ()
) -> list[Data]:
    """Say what stands on the label of each body and lens that was judged.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    answer : Answer
        Its verdict.
    link : str
        Address of the house's pages for the QR square; without it the square names the unit by its id.
    names : iterable of str
        Only these units; all of them when empty.
    """
    wanted = {name.casefold() for name in names}
    kinds = (("body", "bodies", answer.bodies), ("lens", "lenses", answer.lenses))
    rows = []
    for kind, key, units in kinds:
        known = {str(row["name"]): row for row in prep.rows(key)}
        for unit in units:
            if present_name(unit.name) != unit.name or (wanted and unit.name.casefold() not in wanted):
                continue
            rows.append(_label(prep, kind, unit, known.get(unit.name, {}), link))
    return rows


def unit_code(kind: str, unit_id: str, link: str) -> str:
    """Text of a unit's QR square: its page's address, or its kind and id."""
    place = {"body": "bodies", "lens": "lenses"}[kind]
    return f"{link.rstrip('/')}/{place}/{unit_id}" if link else f"{kind}:{unit_id}"


def _label(prep: PrepDocument, kind: str, unit: BodyAnswer, row: Row, link: str) -> Data:
    is_checked = unit.verdict is not Verdict.NOT_CHECKED
    return {
        "kind": kind,
        "name": plain(unit.name),
        "verdict": VERDICT_WORDS[unit.verdict],
        "way": {Verdict.OUT_SHORT: "short", Verdict.OUT_DEEP: "deep"}.get(unit.verdict, ""),
        "error": f"{u_text(unit)} µm" if is_checked else "",
        "date": date_words(prep.dated),
        "lock": _lock(prep, row) if kind == "body" else "",
        "is_signed": prep.is_signed,
        "code": unit_code(kind, str(row.get("id") or unit.name), link),
        "short_digest": prep.digest[:8],
    }


def _lock(prep: PrepDocument, body: Row) -> str:
    """Say whether the sensor was left locked: by the last adjustment's answer; else to be ticked by hand."""
    mechanism = body.get("mechanism") or {}
    if mechanism.get("kind") in ("fixed", "shimmed mount"):
        return NO_LOCK
    for adjustment in reversed(prep.rows("adjustments")):
        if adjustment.get("unit_id") == body.get("id"):
            answers = _lock_answers(adjustment.get("steps") or ())
            return answers[-1] if answers else ASK
    return NO_LOCK if mechanism.get("has_lock") is False else ASK


def _lock_answers(events: Sequence[object]) -> list[str]:
    """Give what the steps of the lock were answered with, in their order; what was taken back is gone."""
    answers: dict[str, str] = {}
    for event in events:
        step = str(event.get("step") or "") if isinstance(event, Mapping) else ""
        if not isinstance(event, Mapping) or "lock" not in step:
            continue
        answers.pop(step, None)
        if event.get("event") != "taken back":
            answers[step] = str(event.get("answer") or "").strip().casefold()
    return [state for answer in answers.values() for state, words in _LOCK_WORDS.items() if answer in words]
