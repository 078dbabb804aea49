"""``shimwise backup``: a copy of the record, taken while it is used."""

from typing import Annotated

from shimwise.bench.exchange import record_admin as bench
from shimwise.cli.acting import acting
from shimwise.cli.options import argument
from shimwise.cli.output import show
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data, Who

MORE = (
    "The pages may go on meanwhile. TARGET is a new file or a folder; a name ending in .jsonl.gz gets "
    "lines of JSON, which SQLite and PostgreSQL both take back.\n\nExit code: 0 done, 2 not done."
)


def backup(
    target: Annotated[str, argument("TARGET", "File or folder of the copy.")] = ".",
    *,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Copy the record."""
    with bench.open_record(data, is_read_only=True) as record:
        by = acting(record, who)
        with progress_bar() as progress:
            made = bench.backup(record, target, who=by, progress=progress)
        name, frames = record.name, bench.frames_kept(record)
    lines = [f"{made.path} holds all of {name} ({made.size_bytes / 1e6:.1f} MB)."]
    if frames.in_folder:
        lines.append(
            f"The frames of {frames.in_folder} sweeps are not in it. Copy {record.folder / 'frames'} too."
        )
    if frames.in_storage:
        lines.append(f"The frames of {frames.in_storage} sweeps are not in it: they lie in the storage.")
    show(
        {"path": str(made.path), "size_bytes": made.size_bytes, "record": name, "frames_left_out": frames},
        "\n".join(lines),
        as_json=as_json,
    )
