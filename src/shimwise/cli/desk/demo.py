"""``shimwise demo``: the main job on invented data, from readings to a verdict and its figure."""

import os
import shlex
import shutil
import sys
import textwrap
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.demo import demo as bench
from shimwise.cli.desk.judge import Seed
from shimwise.cli.options import option
from shimwise.cli.output import console
from shimwise.cli.progress import progress_bar


def demo(
    *,
    out: Annotated[Path | None, option("FOLDER", "Where the files go; ./shimwise-demo without it.")] = None,
    seed: Seed = 0,
) -> None:
    """Judge an invented bench: two bodies, eight lenses, three faults and two blunders."""
    folder = bench.demo_folder(out)
    with progress_bar() as progress:
        done = bench.run_demo(folder, seed=seed, progress=progress)
    bench.print_demo(console(), done)
    typer.echo("\n" + "\n".join(_files(folder, done)))


def _files(folder: Path, done: bench.Demo) -> list[str]:
    """Print what was written, and how to go on."""
    readings, kit = (shlex.quote(str(path)) for path in done.written[:2])
    names = ", ".join(path.name for path in done.written)
    return [
        f"Written into {folder}:",
        *textwrap.wrap(names, 80, initial_indent=" ", subsequent_indent=" ", break_on_hyphens=False),
        f"Next, yourself: {_called()} judge {readings} --kit {kit}",
        f"On the pages: {_called()} serve --demo. To a signed sheet, step by step: docs/guide/eye.md",
    ]


def _called() -> str:
    """Name the command as this shell finds it: by its name, by its path, or as a module."""
    if shutil.which("shimwise"):
        return "shimwise"
    program = Path(sys.argv[0])
    if program.name == "shimwise":
        near = os.path.relpath(program)
        return shlex.quote(str(program) if near.startswith(os.pardir) else near)
    return f"{shlex.quote(sys.executable)} -m shimwise"
