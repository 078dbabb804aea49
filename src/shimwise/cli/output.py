"""How a result is shown: as sentences for people, or as JSON for programs."""

import json
import math
import sys
from collections.abc import Mapping, Sequence

import typer

__all__ = ["Json", "show"]

Json = Mapping[str, "Json"] | Sequence["Json"] | str | float | bool | None
"""What can be printed as JSON; an infinite number is printed as null."""


def show(result: Json, text: str, *, as_json: bool) -> None:
    """Print ``result`` as JSON, or else ``text``.

    JSON is escaped where the terminal knows no Unicode, so that it stays exact.
    """
    if not as_json:
        typer.echo(text)
        return
    has_unicode = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") == "utf8"
    typer.echo(json.dumps(_standard(result), ensure_ascii=not has_unicode, allow_nan=False))


def _standard(value: Json) -> Json:
    """Replace infinity, which standard JSON has no word for, by None."""
    if isinstance(value, float):
        return None if math.isinf(value) else value
    if isinstance(value, Mapping):
        return {key: _standard(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_standard(item) for item in value]
    return value
