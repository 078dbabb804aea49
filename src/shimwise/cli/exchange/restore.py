"""``shimwise restore``: a backup in the place of the record; what it replaces is kept."""

from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.cli.acting import acting_on
from shimwise.cli.options import argument
from shimwise.cli.output import show
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data, Who

MORE = (
    "The backup is looked at before it replaces anything, and what it replaces is kept beside it. Stop the "
    "pages first.\n\nExit code: 0 done, 2 not done."
)


def restore(
    backup: Annotated[str, argument("BACKUP", "What shimwise backup made.")],
    *,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Put a backup in the place of the record."""

    def announce(replacing: bench.Replacing) -> None:
        if not as_json:
            typer.echo(_before(replacing, backup))

    by = acting_on(data, who)
    with progress_bar() as progress:
        done = bench.restore(backup, data, who=by, announce=announce, progress=progress)
    kept = f" What was there is kept: {done.kept}." if done.kept else ""
    result = {
        "record": done.where,
        "preps": done.after.preps,
        "readings": done.after.readings,
        "replaced": done.before,
        "kept": done.kept,
        "tokens_ended": done.tokens_ended,
    }
    text = f"{done.where} holds {_counted(done.after)} now.{kept}"
    if done.tokens_ended:
        text += f" {_of(done.tokens_ended, 'sign-in')} of the backup had been ended since, and stay so."
    show(result, text, as_json=as_json)


def _before(replacing: bench.Replacing, backup: str) -> str:
    """Return what is about to be replaced, and by what."""
    if not replacing.is_there:
        there = "where nothing is"
    elif replacing.before is None:
        there = "in the place of a file that is no record any more"
    else:
        there = f"in the place of {_counted(replacing.before)}"
    return f"{backup}, {_counted(replacing.after)}, goes to {replacing.where}, {there}."


def _counted(held: bench.RecordCounts) -> str:
    return f"{_of(held.preps, 'prep')} with {_of(held.readings, 'reading')}"


def _of(count: int, noun: str) -> str:
    return f"{count:,} {noun if count == 1 else noun + 's'}"
