"""Rows of a benchmark in a file as they come, so that a run can be broken off and gone on with."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

Row = TypeVar("Row")


def read_rows(path: Path, kind: type[Row]) -> list[Row]:
    """Return the rows kept in a file, none if it is not there; lists become tuples."""
    if not path.exists():
        return []
    listed = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return [kind(**{k: tuple(v) if isinstance(v, list) else v for k, v in one.items()}) for one in listed]


def keep_row(path: Path, row: Any) -> None:  # noqa: ANN401 - any dataclass
    """Append a row to a file, which is made if it is not there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as out:
        out.write(json.dumps(asdict(row)) + "\n")


def is_chosen(name: str, wanted: Iterable[str]) -> bool:
    """Whether a cell is among those named; a * at the end is any ending."""
    return any(name == one or (one.endswith("*") and name.startswith(one[:-1])) for one in wanted)
