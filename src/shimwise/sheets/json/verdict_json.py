"""The verdict as JSON, ``shimwise.verdict/2``, written and read; its schema lies beside this module.

``/2`` is all of ``/1`` and ``notices``; both are read.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, TypeVar

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    Cause,
    LensAnswer,
    NextReading,
    OperatorAnswer,
    ReadingAnswer,
    SetupAnswer,
    Verdict,
)
from shimwise.notices import Notice
from shimwise.remedy import Remedy
from shimwise.sheets.json.documents import finite, schema_error
from shimwise.sheets.words.notices import as_written, joined_text, notice_json, notice_text, notice_texts

__all__ = ["SCHEMA_ID", "answer_from_json", "answer_to_json", "validate"]

SCHEMA_ID = "shimwise.verdict/2"
LENGTH_PLACES, PROBABILITY_PLACES = 3, 4
"""Decimals written: of µm, mm and ‰, and of probabilities, weights and shares."""

_SHARES = ("k", "weight", "probability", "p_out", "p_scale_out")
_Object = dict[str, Any]
_Kind = TypeVar("_Kind")
_Body = TypeVar("_Body", bound=BodyAnswer)


def answer_to_json(
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    sources: Mapping[int, str] | None = None,
    is_house: bool = False,
) -> _Object:
    """Return a verdict as an object of standard JSON.

    Parameters
    ----------
    answer : Answer
        The verdict.
    remedies : sequence of Remedy
        What to do about it.
    sources : mapping of int to str, optional
        By row, the sweep's file that a landing comes from; others come from the readings file.
    is_house : bool
        Whether the units are kept in a record, and not in a kit file: for the words.

    Returns
    -------
    dict
        As ``verdict.schema.json`` says. Rounded to a nanometre, a micron of distance and 1e-4 of probability.
        What is no finite number is None; so ``distance_mm`` is None at infinity. A weight above 1 (a reading
        that agrees better than most) is written as 1.
    """
    return {
        "schema": SCHEMA_ID,
        "tolerance_um": _length(answer.tolerance_um),
        "headline": answer.headline,
        "bodies": _written_all(answer.bodies),
        "lenses": _written_all(answer.lenses),
        "setups": _written_all(answer.setups),
        "operators": _written_all(answer.operators),
        "readings": [_reading(reading, (sources or {}).get(reading.row)) for reading in answer.readings],
        "causes": _written_all(answer.causes),
        "next": _written_all(answer.next),
        "remedies": [_remedy(remedy, is_house=is_house) for remedy in remedies],
        "warnings": notice_texts(answer.notices, is_house=is_house),
        "notices": [_notice(one, is_house=is_house) for one in answer.notices],
        **_past(answer),
    }


def answer_from_json(document: Mapping[str, Any]) -> Answer:
    """Read a verdict, ``/1`` or ``/2``, rounded as it was written; null becomes nan, of a distance infinity.

    Warnings of ``/1`` have no code: their sentences are kept as they are.
    """
    tolerance_um, past = document["tolerance_um"], document.get("past", {})
    return Answer(
        tolerance_um=tolerance_um,
        headline=document["headline"],
        bodies=_units(BodyAnswer, document.get("bodies", ()), tolerance_um),
        lenses=_units(LensAnswer, document.get("lenses", ()), tolerance_um),
        setups=tuple(_read(SetupAnswer, one) for one in document["setups"]),
        operators=tuple(_read(OperatorAnswer, one) for one in document["operators"]),
        readings=tuple(_read(ReadingAnswer, {**_UNSAID, **one}) for one in document["readings"]),
        causes=tuple(_read(Cause, one) for one in document["causes"]),
        next=tuple(_next(one) for one in document["next"]),
        notices=_notices(document),
        past_bodies=_units(BodyAnswer, past.get("bodies", ()), tolerance_um),
        past_lenses=_units(LensAnswer, past.get("lenses", ()), tolerance_um),
    )


def validate(document: object) -> None:
    """Raise SheetError if a verdict's document does not follow the schema: with the place and the reason."""
    if error := schema_error(document, "verdict"):
        raise SheetError(
            f"This is no verdict of the form {SCHEMA_ID}: {error}. "
            "Write it anew with this version, or correct it by hand."
        )


_KINDS = (BodyAnswer, LensAnswer, SetupAnswer, OperatorAnswer, ReadingAnswer, Cause, NextReading)
_PLACES: dict[type, dict[str, int | None]] = {
    kind: {
        field.name: (PROBABILITY_PLACES if field.name in _SHARES else LENGTH_PLACES)
        if field.type in (float, "float")
        else None
        for field in fields(kind)
    }
    for kind in _KINDS
}
"""The fields of each class with the decimals that are written of them; None of what is no measure."""


def _written(one: object) -> _Object:
    values = ((name, getattr(one, name), places) for name, places in _PLACES[type(one)].items())
    return {name: value if places is None else finite(value, places) for name, value, places in values}


def _written_all(each: Iterable[object]) -> list[_Object]:
    return [_written(one) for one in each]


def _reading(reading: ReadingAnswer, source: str | None) -> _Object:
    written = {**_written(reading), "weight": _share(min(reading.weight, 1.0))}
    row, line = written.pop("row"), written.pop("line")
    return {"row": row, **({"line": line} if source is None else {"source": source}), **written}


_UNSAID = {"line": 0, "body": "", "lens": "", "setup": ""}
"""What a reading of an older verdict may lack."""


def _read(kind: type[_Kind], one: Mapping[str, Any]) -> _Kind:
    values = ((name, one[name], places) for name, places in _PLACES[kind].items())
    return kind(**{name: value if places is None else _number(value) for name, value, places in values})


def _units(kind: type[_Body], each: Iterable[Mapping[str, Any]], tolerance_um: float) -> tuple[_Body, ...]:
    return tuple(
        _read(kind, {"tolerance_um": tolerance_um, **one, "verdict": Verdict(one["verdict"])}) for one in each
    )


def _next(one: Mapping[str, Any]) -> NextReading:
    distance_mm = one["distance_mm"]
    return _read(NextReading, {**one, "distance_mm": math.inf if distance_mm is None else distance_mm})


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _notices(document: Mapping[str, Any]) -> tuple[Notice, ...]:
    if "notices" not in document:
        return tuple(map(as_written, document["warnings"]))
    return tuple(Notice(one["code"], one["unit"], one["numbers"]) for one in document["notices"])


def _past(answer: Answer) -> _Object:
    """Return units as they were before an adjustment; nothing, where none was adjusted."""
    if not answer.past_bodies and not answer.past_lenses:
        return {}
    bodies, lenses = _written_all(answer.past_bodies), _written_all(answer.past_lenses)
    return {"past": {"bodies": bodies, "lenses": lenses}}


def _notice(notice: Notice, *, is_house: bool) -> _Object:
    numbers = {
        key: _length(value) if isinstance(value, float) else value for key, value in notice.numbers.items()
    }
    return {**notice_json(notice, is_house=is_house), "numbers": numbers}


def _remedy(remedy: Remedy, *, is_house: bool) -> _Object:
    return {
        "unit": remedy.unit,
        "kind": remedy.kind.value,
        "action": remedy.action.value,
        "amount_um": _length(remedy.amount_um),
        "amount_sd_um": _length(remedy.amount_sd_um),
        "direction": remedy.direction.value if remedy.direction else None,
        "text": joined_text(remedy.advice, is_house=is_house),
        "turns": _share(remedy.turns),
        "turns_sd": _share(remedy.turns_sd),
        "turn": remedy.turn.value if remedy.turn else None,
        "shims_um": [_length(shim) for shim in remedy.shims_um],
        "leftover_um": _length(remedy.leftover_um),
        "steps": [notice_text(one, is_house=is_house) for one in remedy.steps],
        "cautions": [notice_text(one, is_house=is_house) for one in remedy.cautions],
    }


def _length(value: float | None) -> float | None:
    return finite(value, LENGTH_PLACES)


def _share(value: float | None) -> float | None:
    return finite(value, PROBABILITY_PLACES)
