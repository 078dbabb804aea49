"""What the JSON documents share: schemas, the check against them, and numbers of standard JSON."""

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def schema(name: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a document: ``plan``, ``sweep`` or ``verdict``."""
    text = files("shimwise.sheets.json").joinpath(f"{name}.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def schema_error(document: object, name: str) -> str:
    """Return where a document breaks its schema and what is wrong there; empty if it follows it."""
    error = next(_validator(name).iter_errors(document), None)
    if error is not None:
        return f"at {error.json_path}, {error.message[:300]}"
    try:
        json.dumps(document, allow_nan=False)
    except ValueError:
        return "a number in it is not finite, where null is to stand"
    return ""


@cache
def _validator(name: str) -> Any:  # noqa: ANN401 - the library's classes are made at run time
    from jsonschema import Draft202012Validator

    return Draft202012Validator(schema(name))


def finite(value: float | None, places: int) -> float | None:
    """Round a number; nought has no sign, and what is no finite number is None."""
    return round(float(value), places) + 0.0 if value is not None and math.isfinite(value) else None


def standard(value: Any, places: int) -> Any:  # noqa: ANN401 - a tree of JSON
    """Return a tree with each number as :func:`finite` writes it."""
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, Mapping):
        return {key: standard(item, places) for key, item in value.items()}
    if isinstance(value, Sequence):
        return [standard(item, places) for item in value]
    return finite(value, places)
