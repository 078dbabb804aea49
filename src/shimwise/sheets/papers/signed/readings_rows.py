"""The readings of a prep as rows of a table, by body."""

from collections.abc import Mapping
from string import ascii_lowercase
from typing import Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import (
    COVERAGE,
    Data,
    Row,
    is_by_picture,
    people,
    set_to_mm,
    setup_distance,
    text_of,
    typed_distance,
)
from shimwise.sheets.words.shared import plain, plus_minus_text, signed_text

WITHDRAWN, DOUBTED, KEPT = "withdrawn", "doubted", "kept"


def reading_rows(prep: PrepDocument, answer: Answer | None) -> Data:
    """Return the readings in their order, withdrawn and doubted ones marked.

    Returns
    -------
    dict
        ``readers``: key letter and name; ``bodies``: name and rows of each (number, lens, at, read, landing,
        by, state); ``has_pictures``: whether landings by picture are among them; ``withdrawn``: who took what
        back and why.
    """
    rows = prep.rows("readings")
    readers = people(rows, "operator")
    keys = {name: _key(number) for number, name in enumerate(readers)}
    judged = {reading.row: reading for reading in answer.readings} if answer else {}
    bodies = dict.fromkeys(row["body_id"] for row in rows)
    return {
        "readers": [{"key": keys[name], "name": name} for name in readers],
        "bodies": [
            {
                "name": plain(prep.name(body_id)),
                "rows": [_row(prep, row, judged, keys) for row in rows if row["body_id"] == body_id],
            }
            for body_id in bodies
        ],
        "has_pictures": any(map(is_by_picture, rows)),
        "withdrawn": [_withdrawn(row) for row in rows if row.get("withdrawn_at")],
    }


def _key(number: int) -> str:
    """Return the key letters of a reader: a to z, then aa, ab."""
    high, low = divmod(number, len(ascii_lowercase))
    return (ascii_lowercase[high - 1] if high else "") + ascii_lowercase[low]


def _row(prep: PrepDocument, row: Row, answers: Mapping[int, Any], keys: Mapping[str, str]) -> Data:
    judged = answers.get(row.get("seq") or -1)
    state = WITHDRAWN if row.get("withdrawn_at") else KEPT
    if state == KEPT and judged is not None and judged.is_doubted:
        state = DOUBTED
    return {
        "number": str(row.get("seq") or ""),
        "lens": plain(prep.name(row["lens_id"])) + _extra(prep, row),
        "at": setup_distance(prep, row.get("setup_id")),
        "read": "picture" if is_by_picture(row) else typed_distance(row, "reading"),
        "landing": _landing(row, judged.landing_um) if judged is not None and state != WITHDRAWN else "",
        "by": keys.get(text_of(row, "operator"), ""),
        "state": state,
    }


def _landing(row: Row, landing_um: float) -> str:
    """Return a landing; by picture with half its own 95 % interval."""
    if is_by_picture(row):
        return plus_minus_text(landing_um, COVERAGE * number_of(row["landing_sd_um"]))
    return signed_text(landing_um)


def _extra(prep: PrepDocument, row: Row) -> str:
    """Return what a reading adds to its lens: a zoom's focal length, the axis, the stop."""
    focal_mm = set_to_mm(prep, row)
    parts = [] if focal_mm is None else [f"{focal_mm:g} mm"]
    parts += [text_of(row, key) for key in ("axis", "stop") if row.get(key)]
    return f" ({', '.join(parts)})" if parts else ""


def _withdrawn(row: Row) -> str:
    who, why = text_of(row, "withdrawn_by"), text_of(row, "withdrawn_reason")
    by = f" by {who}" if who else ""
    return f"{row.get('seq') or ''} withdrawn{by}{f': {why}' if why else ''}."
