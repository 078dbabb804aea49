"""A sweep as JSON, ``shimwise.sweep/1``, for programs and the judge; its schema lies beside this module."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from shimwise.errors import SheetError

__all__ = ["SCHEMA_ID", "SweepFacts", "read_sweep", "sweep_schema", "sweep_to_json", "validate_sweep"]

SCHEMA_ID = "shimwise.sweep/1"
PLACES = 7
"""Decimals written: enough for a magnification; of microns far below any uncertainty."""
LARGEST_BYTES = 2**24


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFacts:
    """What was swept and what was under test; None where it was not said.

    ``swept`` is ``sensor``, ``ring``, ``chart`` or ``screw``; ``best_at_mm`` where the ring or the chart
    stands when the picture is sharp [mm]; ``distance_mm`` the taped distance [mm], which may be infinite;
    ``um_per_turn`` the travel that turns of a screw were reckoned with [µm].
    """

    swept: str = "sensor"
    best_at_mm: float | None = None
    is_relative: bool = False
    body: str | None = None
    lens: str | None = None
    setup: str | None = None
    distance_mm: float | None = None
    focal_mm: float | None = None
    fnumber: float | None = None
    um_per_turn: float | None = None


def sweep_to_json(
    measured: Mapping[str, Any], facts: SweepFacts, *, warnings: Sequence[str] = ()
) -> dict[str, Any]:
    """Give a sweep as an object of standard JSON.

    Parameters
    ----------
    measured : mapping
        What was measured, with the keys that the schema requires.
    facts : SweepFacts
        What was swept and what was under test.
    warnings : sequence of str
        What is to be told of the files.

    Returns
    -------
    dict
        As ``sweep.schema.json`` says; what is no finite number is None, and so is an infinite distance.
    """
    names = {
        "body": facts.body,
        "lens": facts.lens,
        "setup": facts.setup,
        "distance_mm": facts.distance_mm,
        "focal_length_mm": facts.focal_mm,
        "f_number": facts.fnumber,
    }
    document = {
        **measured,
        "warnings": list(warnings),
        "swept": facts.swept,
        "best_at_mm": facts.best_at_mm,
        "is_relative": facts.is_relative,
        **_turns(measured, facts.um_per_turn),
        **{key: value for key, value in names.items() if value is not None and value != ""},
    }
    out: dict[str, Any] = _standard(document)
    return out


def _turns(measured: Mapping[str, Any], um_per_turn: float | None) -> dict[str, Any]:
    """Give best focus in turns of the screw, + clockwise, where that was swept."""
    if um_per_turn is None:
        return {}
    names = ("best", "sd", "low", "high")
    found = {f"{name}_turns": measured[f"{name}_um"] for name in names}
    told = {key: None if um is None else um / um_per_turn for key, um in found.items()}
    return {**told, "um_per_turn": um_per_turn}


@cache
def sweep_schema() -> dict[str, Any]:
    """Load the JSON Schema (draft 2020-12) of a sweep."""
    text = files("shimwise.sheets.json").joinpath("sweep.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def validate_sweep(document: object, *, name: str = "This") -> None:
    """Check a sweep against its schema.

    Raises
    ------
    SheetError
        When it does not follow the schema: names the place and what is wrong there.
    """
    from jsonschema import Draft202012Validator

    error = next(Draft202012Validator(sweep_schema()).iter_errors(document), None)
    if error is not None:
        raise _refusal(name, f"at {error.json_path}, {error.message[:300]}")
    try:
        json.dumps(document, allow_nan=False)
    except ValueError as cause:
        raise _refusal(name, "a number in it is not finite, where null is to stand") from cause


def read_sweep(path: str | Path) -> dict[str, Any]:
    """Read a sweep's result from its file, and check it.

    Raises
    ------
    SheetError
        When the file cannot be read, is no JSON, or does not follow the schema.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise SheetError(
            f"{file} cannot be read ({error.strerror or error}). Give a file that shimwise sweep --out wrote."
        ) from error
    if len(content) > LARGEST_BYTES:
        raise _refusal(file.name, f"it has more than {LARGEST_BYTES // 2**20} MiB")
    try:
        document = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise _refusal(file.name, f"it is no JSON ({str(error)[:200]})") from error
    validate_sweep(document, name=file.name)
    found: dict[str, Any] = document
    return found


def _refusal(name: str, what: str) -> SheetError:
    return SheetError(
        f"{name} is no sweep of the form {SCHEMA_ID}: {what}. Write it anew with shimwise sweep --out."
    )


def _standard(value: Any) -> Any:  # noqa: ANN401 - a tree of JSON
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    if isinstance(value, Mapping):
        return {key: _standard(item) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [_standard(item) for item in value]
    return round(float(value), PLACES) + 0.0 if math.isfinite(value) else None
