"""Body and lens together on the check sheet: where each lens lands on each body, and body against body."""

from collections.abc import Sequence

from shimwise.inference.verdict.answer import Answer, PairAnswer, Verdict
from shimwise.inference.verdict.pair_sentences import difference_sentence
from shimwise.sheets.papers.signed.rows_words import Data, present
from shimwise.sheets.words.pair_words import pair_text
from shimwise.sheets.words.shared import plain

LENSES_ACROSS = 9
"""Columns of lenses that a page holds; further ones follow below."""
MOST_NOTES = 3


def pair_table(answer: Answer) -> Data:
    """Return the words of the table: a row for each body, a column for each lens; empty without pairs.

    Of one body they are beside the lenses instead: ``column`` is the head of that column, else empty. A
    verdict of an earlier version has no pairs.
    """
    known = {(one.body, one.lens): one for one in answer.pairs if one.verdict is not Verdict.NOT_CHECKED}
    bodies = [one.name for one in present(answer.bodies) if any(one.name == body for body, _ in known)]
    lenses = [one.name for one in present(answer.lenses) if any(one.name == lens for _, lens in known)]
    if len(bodies) == 1:
        cells = {plain(lens): _cell(known.get((bodies[0], lens))) for lens in lenses}
        return {"column": f"On {plain(bodies[0])}, µm", "cells": cells, "parts": [], "notes": []}
    parts = [lenses[at : at + LENSES_ACROSS] for at in range(0, len(lenses), LENSES_ACROSS)]
    notes = [plain(difference_sentence(one)) for one in answer.differences]
    return {
        "column": "",
        "cells": {},
        "parts": [_part(bodies, part, known) for part in parts if bodies],
        "notes": notes[:MOST_NOTES] if bodies else [],
    }


def _part(bodies: Sequence[str], lenses: Sequence[str], known: dict[tuple[str, str], PairAnswer]) -> Data:
    return {
        "lenses": [plain(lens) for lens in lenses],
        "rows": [
            {"body": plain(body), "cells": [_cell(known.get((body, lens))) for lens in lenses]}
            for body in bodies
        ],
    }


def _cell(pair: PairAnswer | None) -> Data:
    if pair is None:
        return {"words": "–", "way": "", "is_open": True}
    return {
        "words": pair_text(pair),
        "way": pair.verdict.way,
        "is_open": not pair.verdict.is_decided,
    }
