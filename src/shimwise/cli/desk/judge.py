"""``shimwise judge``: a readings file to the verdict, as a report, as JSON and as a figure."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.desk import judge as bench
from shimwise.bench.desk.inputs import LARGEST_BYTES
from shimwise.cli.options import AsJson, Figure, Unit, argument, flag, option
from shimwise.cli.output import show_report
from shimwise.cli.progress import progress_bar

NOT_WELL = 1
"""Exit code when something is out or not decided."""


MORE = "Exit code: 0 all is in tolerance, 1 something is out or not decided, 2 bad input."

Kit = Annotated[Path | None, option("KIT.toml", "What is known of bodies and lenses.")]
Seed = Annotated[int, option("N", "Same input and same seed, same answer.", min=0)]


def judge(
    readings: Annotated[str, argument("READINGS.csv", "The readings; - for standard input.")],
    *,
    kit: Kit = None,
    tolerance: Annotated[float | None, option("µm", "± of every unit; the kit's, or else 10.")] = None,
    seed: Seed = 0,
    sweep: Annotated[
        list[Path] | None, option("RESULT.json", "A measured sweep as evidence; repeatable.")
    ] = None,
    figure: Figure = None,
    unit: Unit = None,
    brief: Annotated[bool, flag("--brief", "The sentence and what to do now, in 12 lines at most.")] = False,
    as_json: AsJson = False,
) -> None:
    """Judge who is off, by how much, how sure that is, what to read next and what to do."""
    if figure is not None:
        bench.check_figure_path(figure)
    with progress_bar() as progress:
        judged = bench.judge_file(
            readings_source(readings),
            kit_path=kit,
            tolerance_um=tolerance,
            seed=seed,
            unit=unit,
            sweeps=sweep or (),
            progress=progress,
        )
        if figure is not None:
            bench.save_verdict_figure(judged, figure)
    show_report(
        judged, bench.verdict_json, bench.print_brief if brief else bench.print_verdict, as_json=as_json
    )
    if figure is not None and not as_json:
        typer.echo(f"\nThe figure is in {figure}.")
    if not judged.is_all_well:
        raise typer.Exit(NOT_WELL)


def readings_source(text: str) -> Path | bytes:
    """Return the file that an argument names, or for ``-`` the content of standard input."""
    return sys.stdin.buffer.read(LARGEST_BYTES + 1) if text == "-" else Path(text)
