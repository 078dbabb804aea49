"""Many sweeps at once, of which ``shimwise sweep`` is given the folders or a list of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import typer

from shimwise.bench.sweep import many_papers as papers
from shimwise.bench.sweep.many import SweepOrder, SweptFolder, measure_many
from shimwise.bench.sweep.measure import LookedAt, Recording, UnderTest
from shimwise.cli.output import show
from shimwise.cli.progress import print_waiting, progress_bar
from shimwise.errors import RecordError

RESULTS = Path("sweeps.jsonl")
WITHHELD, BAD_INPUT, FAULT = 1, 2, 3
"""Exit codes: not all could be measured, none could, the program failed at one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ManyFiles:
    """What is written of many sweeps: results as they come, a table, a page."""

    results: Path = RESULTS
    table: Path | None = None
    page: Path | None = None

    def check(self) -> None:
        """Raise SheetError if a name ends in nothing that is known."""
        if self.table is not None:
            papers.check_table_path(self.table)
        if self.page is not None:
            papers.check_page_path(self.page)


def listed_folders(path: Path) -> list[Path]:
    """Return the folders that a list names, one a line, from its own folder on; # begins a remark.

    Raises
    ------
    RecordError
        If it cannot be read.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or "it is no text in UTF-8"
        raise RecordError(f"{path} cannot be read ({reason}). Give a list of folders, one a line.") from error
    named = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    return [path.parent / name for name in named]


def refuse_single(given: Mapping[str, object]) -> None:
    """Refuse options that only one sweep can have.

    Raises
    ------
    typer.BadParameter
        Names the first that is given.
    """
    for option, value in given.items():
        if value:
            raise typer.BadParameter("is of one sweep; give one FOLDER with it.", param_hint=option)


def sweep_many(
    places: Sequence[Path],
    *,
    looked_at: LookedAt,
    recording: Recording,
    under_test: UnderTest,
    files: ManyFiles,
    workers: str,
    as_json: bool,
) -> None:
    """Measure the sweeps, write what is asked for, and leave with the exit code of all."""
    files.check()
    if not places:
        raise RecordError("The list names no folder. Write one a line.")
    orders = [
        SweepOrder(place=place, looked_at=looked_at, recording=recording, under_test=under_test)
        for place in places
    ]
    with progress_bar() as progress:
        found = measure_many(
            orders,
            results=files.results,
            workers=workers,
            progress=progress,
            on_wait=print_waiting,
        )
        if files.table is not None:
            papers.write_table(found, files.table)
        if files.page is not None:
            papers.write_page(found, files.page, at=datetime.now(UTC))
    show({"sweeps": papers.records_of(found)}, _text(found, files), as_json=as_json)
    if code := _code(found):
        raise typer.Exit(code)


def _text(found: Sequence[SweptFolder], files: ManyFiles) -> str:
    kept, measured = sum(one.is_kept for one in found), sum(one.is_measured for one in found)
    refused = sum(one.document is None for one in found)
    parts = {
        "told": measured,
        "not told": len(found) - measured - refused,
        "refused": refused,
        "of them measured before": kept,
    }
    counts = ", ".join(f"{count:,} {words}" for words, count in parts.items() if count or words == "told")
    lines = [f"{len(found):,} sweeps: {counts}.", *papers.lines_of(found)]
    written = {"The table": files.table, "The page": files.page, "Every result": files.results}
    for words, path in written.items():
        if path is not None:
            lines.append(f"{words} is in {path}.")
    return "\n".join(lines)


def _code(found: Sequence[SweptFolder]) -> int:
    if any(one.is_fault for one in found):
        return FAULT
    if all(one.document is None for one in found):
        return BAD_INPUT
    return 0 if all(one.is_measured for one in found) else WITHHELD
