"""``shimwise restore``: a backup in the place of the record; what it replaces is kept."""

from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.cli.output import show
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data

MORE = (
    "The backup is looked at before it replaces anything, and what it replaces is kept beside it. Stop the "
    "pages first.\n\nExit code: 0 done, 2 not done."
)


def restore(
    backup: Annotated[str, typer.Argument(metavar="BACKUP", help="What shimwise backup made.")],
    *,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Put a backup in the place of the record."""
    with progress_bar() as progress:
        done = bench.restore(backup, data, progress=progress)
    kept = f" What was there is kept: {done.kept}." if done.kept else ""
    show(
        {"record": done.where, "preps": done.preps, "readings": done.readings, "kept": done.kept},
        f"{done.where} holds {_counted(done.preps, 'prep')} with {_counted(done.readings, 'reading')}.{kept}",
        as_json=as_json,
    )


def _counted(count: int, noun: str) -> str:
    return f"{count:,} {noun if count == 1 else noun + 's'}"
