"""The readings of a prep as rows of a table: a block for each body, in as many columns as a page holds."""

import math
from collections.abc import Mapping, Sequence
from string import ascii_lowercase
from typing import Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of
from shimwise.sheets.papers.signed.rows_words import people, setup_distance, typed_distance
from shimwise.sheets.pictures.picture import DOUBTED_BELOW
from shimwise.sheets.words.shared import plain, signed_text

NARROW, MIDDLE = 27, 48
"""Letters of a row that still fit three columns, and two."""
MOST_ROWS = 34
"""Rows of one column before the next block begins: less than a page."""
WITHDRAWN, DOUBTED, KEPT = "withdrawn", "doubted", "kept"
Row = Mapping[str, Any]
Data = dict[str, Any]


def reading_blocks(prep: PrepDocument, answer: Answer | None) -> Data:
    """Return the readings in their order, withdrawn and doubted ones marked.

    Returns
    -------
    dict
        ``readers``: key letter and name; ``blocks``: of each a body, the count of columns and the columns of
        rows (number, lens, at, read, landing, by, state); ``withdrawn``: who took what back and why.
    """
    rows = prep.rows("readings")
    readers = people(rows, "operator")
    keys = {name: _key(number) for number, name in enumerate(readers)}
    judged = {reading.row: reading for reading in answer.readings} if answer else {}
    blocks: list[Data] = []
    for body_id in dict.fromkeys(row["body_id"] for row in rows):
        own = [_row(prep, row, judged, keys) for row in rows if row["body_id"] == body_id]
        blocks += _columns(plain(prep.name(body_id)), own)
    return {
        "readers": [{"key": keys[name], "name": name} for name in readers],
        "blocks": blocks,
        "withdrawn": [_withdrawn(row) for row in rows if row.get("withdrawn_at")],
    }


def _key(number: int) -> str:
    """Letter of a reader: a to z, then aa, ab."""
    high, low = divmod(number, len(ascii_lowercase))
    return (ascii_lowercase[high - 1] if high else "") + ascii_lowercase[low]


def _row(prep: PrepDocument, row: Row, answers: Mapping[int, Any], keys: Mapping[str, str]) -> Data:
    judged = answers.get(row.get("seq") or -1)
    state = WITHDRAWN if row.get("withdrawn_at") else KEPT
    if state == KEPT and judged is not None and judged.weight < DOUBTED_BELOW:
        state = DOUBTED
    return {
        "number": str(row.get("seq") or ""),
        "lens": plain(prep.name(row["lens_id"])) + _extra(prep, row),
        "at": setup_distance(prep, row.get("setup_id")),
        "read": typed_distance(row.get("reading_text"), row.get("reading_mm")),
        "landing": signed_text(judged.landing_um) if judged is not None and state != WITHDRAWN else "",
        "by": keys.get(plain(str(row.get("operator") or "")), ""),
        "state": state,
    }


def _extra(prep: PrepDocument, row: Row) -> str:
    """Return what a reading adds to its lens: a zoom's focal length, the axis, the stop."""
    lens = prep.row("lenses", row["lens_id"]) or {}
    focal = number_of(row.get("focal_mm"))
    parts = [f"{focal:g} mm"] if len(lens.get("focal_lengths_mm") or ()) > 1 and math.isfinite(focal) else []
    parts += [plain(str(row[key])) for key in ("axis", "stop") if row.get(key)]
    return f" ({', '.join(parts)})" if parts else ""


def _columns(body: str, rows: Sequence[Data]) -> list[Data]:
    widest = max(
        sum(len(row[key]) for key in ("number", "lens", "at", "read", "landing", "by")) for row in rows
    )
    count = 3 if widest <= NARROW else 2 if widest <= MIDDLE else 1
    blocks = []
    for start in range(0, len(rows), count * MOST_ROWS):
        part = rows[start : start + count * MOST_ROWS]
        height = math.ceil(len(part) / count)
        columns = [part[at : at + height] for at in range(0, len(part), height)]
        blocks.append({"body": body, "count": count, "columns": columns, "is_first": start == 0})
    return blocks


def _withdrawn(row: Row) -> str:
    who, why = plain(str(row.get("withdrawn_by") or "")), plain(str(row.get("withdrawn_reason") or ""))
    by = f" by {who}" if who else ""
    return f"{row.get('seq') or ''} withdrawn{by}{f': {why}' if why else ''}."
