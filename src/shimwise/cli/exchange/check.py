"""``shimwise check``: whether the record agrees with itself."""

from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.cli.options import flag
from shimwise.cli.output import show
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data, Storage

NOT_WELL = 1


MORE = (
    "The pages may go on meanwhile. Frames that a killed program left are listed too; the record is well "
    "with them.\n\nExit code: 0 all is well, 1 it is not, 2 it cannot be read."
)


def check(
    *,
    data: Data = None,
    storage: Storage = None,
    remove_orphans: Annotated[
        bool,
        flag(
            "--remove-orphans",
            "Remove from the storage of frames what is of no sweep and came more than a day ago.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Check the record."""
    with bench.open_record(data, is_read_only=True, storage=storage) as record, progress_bar() as progress:
        found = bench.check(record, progress=progress)
        left = bench.frames_left(record, is_removed=remove_orphans)
        name = record.name
    lines = [f"{finding.subject}: {finding.text}" for finding in found]
    if lines:
        lines.append("Leave the record as it is, and restore the latest backup with shimwise restore.")
    else:
        lines = [f"{name} agrees with itself."]
    lines += [f"{one.subject}: {one.text}" for one in left]
    result = {"record": name, "is_well": not found, "findings": found, "frames_left": left}
    show(result, "\n".join(lines), as_json=as_json)
    if found:
        raise typer.Exit(NOT_WELL)
