"""``shimwise export``: all that a prep holds, or its readings, as a file."""

from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.bench.output_files import write_whole
from shimwise.cli.options import argument, flag
from shimwise.cli.record_options import Data, Prep
from shimwise.errors import RecordError

ENDINGS = (".json", ".csv")


MORE = (
    "JSON holds all of the prep, and goes into another record with shimwise import. A name ending in "
    ".csv gets the readings, as shimwise judge reads them.\n\nExit code: 0 done, 2 not done."
)


def export(
    prep: Prep,
    target: Annotated[str, argument("FILE", "A new file, .json or .csv; - for standard output.")] = "-",
    *,
    as_csv: Annotated[bool, flag("--csv", "Readings as CSV, whatever the name.")] = False,
    data: Data = None,
) -> None:
    """Write a prep."""
    if target != "-" and not as_csv and Path(target).suffix.lower() not in ENDINGS:
        raise RecordError(
            f"{target} does not say what it is to hold. Let it end in .json for all of the prep, or in .csv "
            "for the readings."
        )
    with bench.open_record(data, is_read_only=True) as record:
        prep_id = bench.find_prep(record, prep)
        is_csv = as_csv or target.lower().endswith(".csv")
        text = bench.export_readings_csv(record, prep_id) if is_csv else bench.export_prep(record, prep_id)
    if target == "-":
        typer.echo(text, nl=False)
        return
    if Path(target).exists():
        raise RecordError(f"{target} is there already. Name another file.")
    write_whole(Path(target), text)
    typer.echo(f"{target} holds {'the readings' if is_csv else 'all'} of the prep {prep_id}.")
