"""The verdict as JSON, ``shimwise.verdict/2``, written and read; its schema lies beside this module.

``/2`` is all of ``/1`` with ``notices``, ``pairs``, ``differences``, ``unparted`` and the persons' offsets;
both are read.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import Field, fields, replace
from enum import Enum
from typing import TYPE_CHECKING, Any, TypeVar

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import (
    Answer,
    BodyAnswer,
    Cause,
    DifferenceAnswer,
    LensAnswer,
    NextReading,
    OperatorAnswer,
    PairAnswer,
    ReadingAnswer,
    SetupAnswer,
    Unparted,
    UnpartedKind,
    Verdict,
)
from shimwise.inference.verdict.unit_state import state_of
from shimwise.notices import Notice
from shimwise.remedy.remedy import Remedy
from shimwise.remedy.to_do import to_do
from shimwise.sheets.json.documents import schema_error
from shimwise.sheets.words.notices import as_written, joined_text, notice_json, notice_text, notice_texts
from shimwise.sheets.words.state_words import state_text

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

SCHEMA_ID = "shimwise.verdict/2"
LENGTH_PLACES, PROBABILITY_PLACES = 3, 4
"""Decimals written: of µm, mm and ‰, and of probabilities, weights and shares."""

_LENGTHS = ("um", "mm", "permille")
"""Ends of the names of lengths and scales; all other numbers are shares, probabilities or turns."""
_LISTS = (
    *("bodies", "lenses", "setups", "operators", "readings", "causes", "next"),
    *("pairs", "differences", "unparted", "next_by_picture"),
)
_NO_OFFSET = {"offset": math.nan, "offset_low": math.nan, "offset_high": math.nan}
_Object = dict[str, Any]
_Value = TypeVar("_Value")
_Unit = TypeVar("_Unit", bound=BodyAnswer)


def answer_to_json(
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    sources: Mapping[int, str] | None = None,
    rereads: Sequence[Notice] = (),
    is_house: bool = False,
) -> _Object:
    """Return a verdict as an object of standard JSON, as ``verdict.schema.json`` defines it.

    Rounded to a nanometre, a micron of distance and 1e-4 of probability. What is no finite number is None; so
    ``distance_mm`` is None at infinity. A weight above 1 (a reading that agrees better than most) becomes 1.

    Parameters
    ----------
    answer : Answer
        The judge's.
    remedies : sequence of Remedy
        What to do about it.
    sources : mapping of int to str, optional
        By row, the sweep's file that a landing comes from; others come from the readings file.
    rereads : sequence of Notice
        Units that have to be read again after an adjustment; the headline begins with them.
    is_house : bool
        Whether the units are kept in a record, and not in a kit file: for the words. Where each person stops
        and how they repeat is then left out: many read a house's verdict, and that is private.
    """
    known = sources or {}
    document = {
        "schema": SCHEMA_ID,
        "tolerance_um": _rounded("tolerance_um", answer.tolerance_um),
        "headline": " ".join([*map(notice_text, rereads), answer.headline]),
        **{name: [_plain(one) for one in getattr(answer, name)] for name in _LISTS},
        **{name: [_unit(one, answer) for one in getattr(answer, name)] for name in ("bodies", "lenses")},
        **({"operators": []} if is_house else {}),
        "readings": [_reading(one, known.get(one.row)) for one in answer.readings],
        "remedies": [_remedy(one, is_house=is_house) for one in remedies],
        "to_do": [_notice(one, is_house=is_house) for one in to_do(answer, remedies, rereads)],
        "warnings": notice_texts(answer.notices, is_house=is_house),
        "notices": [_notice(one, is_house=is_house) for one in answer.notices],
    }
    if answer.past_bodies or answer.past_lenses:
        past = {"bodies": answer.past_bodies, "lenses": answer.past_lenses}
        document["past"] = {name: [_unit(one, answer) for one in units] for name, units in past.items()}
    return document


def answer_from_json(document: Mapping[str, Any]) -> Answer:
    """Read a verdict, ``/1`` or ``/2``, rounded as it was written; null becomes nan, of a distance infinity.

    Warnings of ``/1`` have no code: their sentences are kept as they are.
    """
    tolerance_um, past = document["tolerance_um"], document.get("past", {})
    notices = _notices(document)
    limits_um = {one.unit: one.numbers["limit_um"] for one in notices if one.code == "datum_limit"}

    def units(kind: type[_Unit], listed: Iterable[Mapping[str, Any]]) -> tuple[_Unit, ...]:
        # Earlier verdicts hold the limit of a body in its notice alone, and that of a lens nowhere.
        limited = [{"limit_um": limits_um.get(one["name"]), "more_readings": None, **one} for one in listed]
        return _read(kind, limited, tolerance_um=tolerance_um)

    return Answer(
        tolerance_um=tolerance_um,
        headline=document["headline"],
        bodies=units(BodyAnswer, document["bodies"]),
        lenses=units(LensAnswer, document["lenses"]),
        setups=_read(SetupAnswer, document["setups"], replaced_by=""),
        operators=_read(OperatorAnswer, document["operators"], **_NO_OFFSET),
        readings=_read(ReadingAnswer, document["readings"], line=0, body="", lens="", setup=""),
        causes=_read(Cause, document["causes"]),
        next=_next(document["next"]),
        next_by_picture=_next(document.get("next_by_picture", ())),
        notices=notices,
        past_bodies=units(BodyAnswer, past.get("bodies", ())),
        past_lenses=units(LensAnswer, past.get("lenses", ())),
        pairs=_read(
            PairAnswer,
            document.get("pairs", ()),
            tolerance_um=tolerance_um,
            is_read=True,
            scale_correlation=0.0,
        ),
        differences=_read(DifferenceAnswer, document.get("differences", ())),
        unparted=_read(Unparted, document.get("unparted", ())),
    )


def _next(listed: Iterable[Mapping[str, Any]]) -> tuple[NextReading, ...]:
    near = [{**one, "distance_mm": _or(one["distance_mm"], math.inf)} for one in listed]
    return _read(NextReading, near, focal_mm=None, by_picture=False)


def validate(document: object) -> None:
    """Raise SheetError if a verdict's document does not follow the schema: with the place and the reason."""
    if error := schema_error(document, "verdict"):
        raise SheetError(
            f"This is no verdict of the form {SCHEMA_ID}: {error}. "
            "Write it anew with this version, or correct it by hand."
        )


def _plain(value: "DataclassInstance") -> _Object:
    """Return the fields of a value, numbers rounded by their names."""
    return {one.name: _rounded(one.name, getattr(value, one.name)) for one in fields(value)}


def _unit(unit: BodyAnswer, answer: Answer) -> _Object:
    """Return a unit with its state, as a code and in words."""
    state = state_of(unit, answer)
    return {**_plain(unit), "state": state.code.value, "text": state_text(state)}


def _read(kind: type[_Value], listed: Iterable[Mapping[str, Any]], **defaults: Any) -> tuple[_Value, ...]:  # noqa: ANN401
    """Return a value for each object: its fields by name, null as nan."""
    found = []
    for one in listed:
        given = {**defaults, **one}
        found.append(kind(**{field.name: _field(field, given[field.name]) for field in fields(kind)}))  # type: ignore[arg-type]
    return tuple(found)


def _field(field: "Field[Any]", value: Any) -> Any:  # noqa: ANN401 - as JSON has it
    if field.type in (Verdict, UnpartedKind):
        return field.type(value)
    if isinstance(value, list):
        return tuple(value)
    return float(_or(value, math.nan)) if field.type is float else value


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _notices(document: Mapping[str, Any]) -> tuple[Notice, ...]:
    if "notices" not in document:
        return tuple(map(as_written, document["warnings"]))
    return tuple(Notice(one["code"], one["unit"], one["numbers"]) for one in document["notices"])


def _reading(reading: ReadingAnswer, source: str | None) -> _Object:
    plain = _plain(replace(reading, weight=min(reading.weight, 1.0)))
    if source is None:
        return plain
    return {"row": plain.pop("row"), "source": source, **{k: v for k, v in plain.items() if k != "line"}}


def _notice(notice: Notice, *, is_house: bool) -> _Object:
    numbers = {key: _rounded(key, value) for key, value in notice.numbers.items()}
    return {**notice_json(notice, is_house=is_house), "numbers": numbers}


def _remedy(remedy: Remedy, *, is_house: bool) -> _Object:
    plain = _plain(remedy)
    del plain["advice"]
    return {
        **plain,
        "text": joined_text(remedy.advice, is_house=is_house),
        "shims_um": [_rounded("shims_um", shim) for shim in remedy.shims_um],
        "steps": [notice_text(one, is_house=is_house) for one in remedy.steps],
        "cautions": [notice_text(one, is_house=is_house) for one in remedy.cautions],
    }


def _rounded(name: str, value: Any) -> Any:  # noqa: ANN401 - the value of any field
    """Return a field as JSON: numbers rounded, nought without a sign, None if no finite number."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return list(value)
    if not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return None
    is_length = name.rpartition("_")[2] in _LENGTHS
    return round(float(value), LENGTH_PLACES if is_length else PROBABILITY_PLACES) + 0.0
