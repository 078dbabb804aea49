"""The verdict as JSON, ``shimwise.verdict/2``, written and read; its schema lies beside this module.

``/2`` is all of ``/1`` and ``notices``; both are read.
"""

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

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
from shimwise.sheets.words.notices import as_written, joined_text, notice_json, notice_text, notice_texts

__all__ = ["SCHEMA_ID", "answer_from_json", "answer_to_json", "validate", "verdict_schema"]

SCHEMA_ID = "shimwise.verdict/2"
LENGTH_PLACES, PROBABILITY_PLACES = 3, 4
"""Decimals written: of µm, mm and ‰, and of probabilities, weights and shares."""

_Object = dict[str, Any]


def answer_to_json(
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    sources: Mapping[int, str] | None = None,
    is_house: bool = False,
) -> _Object:
    """Give a verdict as an object of standard JSON.

    Parameters
    ----------
    answer : Answer
        What the judge said.
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
        "bodies": [_unit(body) for body in answer.bodies],
        "lenses": [_lens(lens) for lens in answer.lenses],
        "setups": [
            {
                "name": setup.name,
                "error_mm": _length(setup.error_mm),
                "sd_mm": _length(setup.sd_mm),
                "p_out": _share(setup.p_out),
            }
            for setup in answer.setups
        ],
        "operators": [{"name": operator.name, "k": _share(operator.k)} for operator in answer.operators],
        "readings": [_reading(reading, (sources or {}).get(reading.row)) for reading in answer.readings],
        "causes": [
            {"kind": cause.kind, "unit": cause.unit, "probability": _share(cause.probability)}
            for cause in answer.causes
        ],
        "next": [
            {
                "body": one.body,
                "lens": one.lens,
                "distance_mm": _length(one.distance_mm),
                "sd_after_um": _length(one.sd_after_um),
            }
            for one in answer.next
        ],
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
        bodies=_read_bodies(document, tolerance_um),
        lenses=_read_lenses(document, tolerance_um),
        setups=tuple(
            SetupAnswer(
                name=one["name"],
                error_mm=_number(one["error_mm"]),
                sd_mm=_number(one["sd_mm"]),
                p_out=_number(one["p_out"]),
            )
            for one in document["setups"]
        ),
        operators=tuple(
            OperatorAnswer(name=one["name"], k=_number(one["k"])) for one in document["operators"]
        ),
        readings=tuple(_read_reading(one) for one in document["readings"]),
        causes=tuple(
            Cause(kind=one["kind"], unit=one["unit"], probability=_number(one["probability"]))
            for one in document["causes"]
        ),
        next=tuple(_read_next(one) for one in document["next"]),
        notices=_notices(document),
        past_bodies=_read_bodies(past, tolerance_um),
        past_lenses=_read_lenses(past, tolerance_um),
    )


@cache
def verdict_schema() -> _Object:
    """Load the JSON Schema (draft 2020-12) of a verdict."""
    text = files("shimwise.sheets.json").joinpath("verdict.schema.json").read_text(encoding="utf-8")
    schema: _Object = json.loads(text)
    return schema


def validate(document: object) -> None:
    """Check a verdict against its schema.

    Parameters
    ----------
    document : object
        As :func:`answer_to_json` gives it, or as ``json.loads`` reads it.

    Raises
    ------
    SheetError
        When it does not follow the schema: names the place and what is wrong there.
    """
    error = next(_validator().iter_errors(document), None)
    if error is not None:
        raise _refusal(f"at {error.json_path}, {error.message[:300]}")
    try:
        json.dumps(document, allow_nan=False)
    except ValueError as cause:
        raise _refusal("a number in it is not finite, where null is to stand") from cause


def _refusal(what: str) -> SheetError:
    return SheetError(
        f"This is no verdict of the form {SCHEMA_ID}: {what}. "
        "Write it anew with this version, or correct it by hand."
    )


@cache
def _validator() -> Any:  # noqa: ANN401 - the library's classes are made at run time
    from jsonschema import Draft202012Validator

    return Draft202012Validator(verdict_schema())


def _read_bodies(document: Mapping[str, Any], tolerance_um: float) -> tuple[BodyAnswer, ...]:
    return tuple(BodyAnswer(**_read_unit(one, tolerance_um)) for one in document.get("bodies", ()))


def _read_lenses(document: Mapping[str, Any], tolerance_um: float) -> tuple[LensAnswer, ...]:
    return tuple(
        LensAnswer(
            **_read_unit(one, tolerance_um),
            scale_permille=_number(one["scale_permille"]),
            scale_sd_permille=_number(one["scale_sd_permille"]),
            p_scale_out=_number(one["p_scale_out"]),
        )
        for one in document.get("lenses", ())
    )


def _read_unit(one: Mapping[str, Any], tolerance_um: float) -> dict[str, Any]:
    return {
        "name": one["name"],
        "error_um": _number(one["error_um"]),
        "sd_um": _number(one["sd_um"]),
        "low_um": _number(one["low_um"]),
        "high_um": _number(one["high_um"]),
        "p_out": _number(one["p_out"]),
        "verdict": Verdict(one["verdict"]),
        "tolerance_um": one.get("tolerance_um", tolerance_um),
    }


def _read_reading(one: Mapping[str, Any]) -> ReadingAnswer:
    return ReadingAnswer(
        row=one["row"],
        line=one.get("line", 0),
        body=one.get("body", ""),
        lens=one.get("lens", ""),
        setup=one.get("setup", ""),
        landing_um=_number(one["landing_um"]),
        sd_um=_number(one["sd_um"]),
        weight=_number(one["weight"]),
    )


def _read_next(one: Mapping[str, Any]) -> NextReading:
    distance_mm = one["distance_mm"]
    return NextReading(
        body=one["body"],
        lens=one["lens"],
        distance_mm=math.inf if distance_mm is None else float(distance_mm),
        sd_after_um=_number(one["sd_after_um"]),
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _notices(document: Mapping[str, Any]) -> tuple[Notice, ...]:
    if "notices" not in document:
        return tuple(map(as_written, document["warnings"]))
    return tuple(Notice(one["code"], one["unit"], one["numbers"]) for one in document["notices"])


def _past(answer: Answer) -> _Object:
    """Give units as they were before an adjustment; nothing, where none was adjusted."""
    if not answer.past_bodies and not answer.past_lenses:
        return {}
    return {
        "past": {
            "bodies": [_unit(body) for body in answer.past_bodies],
            "lenses": [_lens(lens) for lens in answer.past_lenses],
        }
    }


def _unit(unit: BodyAnswer) -> _Object:
    return {
        "name": unit.name,
        "error_um": _length(unit.error_um),
        "sd_um": _length(unit.sd_um),
        "low_um": _length(unit.low_um),
        "high_um": _length(unit.high_um),
        "p_out": _share(unit.p_out),
        "verdict": unit.verdict.value,
        "tolerance_um": _length(unit.tolerance_um),
    }


def _lens(lens: LensAnswer) -> _Object:
    return {
        **_unit(lens),
        "scale_permille": _length(lens.scale_permille),
        "scale_sd_permille": _length(lens.scale_sd_permille),
        "p_scale_out": _share(lens.p_scale_out),
    }


def _reading(reading: ReadingAnswer, source: str | None) -> _Object:
    place = {"line": reading.line} if source is None else {"source": source}
    return {
        "row": reading.row,
        **place,
        "body": reading.body,
        "lens": reading.lens,
        "setup": reading.setup,
        "landing_um": _length(reading.landing_um),
        "sd_um": _length(reading.sd_um),
        "weight": _share(min(reading.weight, 1.0)),
    }


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
    return _rounded(value, LENGTH_PLACES)


def _share(value: float | None) -> float | None:
    return _rounded(value, PROBABILITY_PLACES)


def _rounded(value: float | None, places: int) -> float | None:
    """Round a number; nought has no sign, and what is no finite number is None."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), places) + 0.0
