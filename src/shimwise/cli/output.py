"""How a result is shown: as sentences for people, or as JSON for programs."""

import json
import math
import shutil
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from shimwise.errors import SheetError

if TYPE_CHECKING:
    from rich.console import Console

_Result = TypeVar("_Result")
MOST_NARROW, MOST_WIDE = 40, 100
REPORT_WIDTH = 79


def show(result: object, text: str, *, as_json: bool) -> None:
    """Print ``result`` as JSON, or else ``text``.

    JSON is escaped where the terminal knows no Unicode, so that it stays exact.
    """
    if not as_json:
        typer.echo(text)
        return
    has_unicode = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") == "utf8"
    typer.echo(json.dumps(_standard(result), ensure_ascii=not has_unicode, allow_nan=False))


def show_report(
    result: _Result,
    document: Callable[[_Result], object],
    printed: "Callable[[Console, _Result], None]",
    *,
    as_json: bool,
) -> None:
    """Print the document of a result as JSON, or else its report."""
    if as_json:
        show(document(result), "", as_json=True)
        return
    printed(console(), result)


def console() -> "Console":
    """Return the console that reports are printed on."""
    from rich.console import Console

    class Output(Console):
        """Raises where nobody reads any more, as any other output does."""

        def on_broken_pipe(self) -> None:
            raise  # noqa: PLE0704 - within the handler of the error

    return Output()


def is_asked(*, as_json: bool) -> bool:
    """Return whether a person is there to be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty() and not as_json


def wrapped(text: str, *, indent: str = "") -> str:
    """Break lines at words, as wide as the terminal up to 100 columns; ``indent``: of what follows."""
    width = max(MOST_NARROW, min(shutil.get_terminal_size().columns, MOST_WIDE)) - 1
    return "\n".join(
        textwrap.fill(line, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False)
        for line in text.split("\n")
    )


def filled(text: str, *, indent: str = "") -> str:
    """Break a paragraph of a report at words, as wide as its tables; ``indent``: of what follows."""
    return textwrap.fill(text, REPORT_WIDTH, subsequent_indent=indent)


def check_free(path: Path, *, is_forced: bool, as_json: bool) -> None:
    """Ask before a file is written over; refuse where nobody is there to be asked.

    Raises
    ------
    SheetError
        If the file is there and is to stay.
    """
    if is_forced or not path.is_file():
        return
    if is_asked(as_json=as_json) and typer.confirm(f"{path} is there already. Write over it?"):
        return
    raise SheetError(f"{path} is there already. Name another file, or give --force.")


def _standard(value: Any) -> Any:  # noqa: ANN401 - a tree of results
    """Return a tree as standard JSON has it: times and paths as text, infinity as None."""
    if isinstance(value, float):
        return None if math.isinf(value) else value
    if isinstance(value, datetime | Path):
        return value.isoformat() if isinstance(value, datetime) else str(value)
    if is_dataclass(value) and not isinstance(value, type):
        return _standard(asdict(value))
    if isinstance(value, Mapping):
        return {key: _standard(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_standard(item) for item in value]
    return value
