"""``shimwise plan``: what to read, before the first reading or after some."""

from typing import Annotated

import typer

from shimwise.bench.desk import plan as bench
from shimwise.cli.desk.judge import Kit, readings_source
from shimwise.cli.options import AsJson, Unit, argument, flag, option
from shimwise.cli.output import show_report
from shimwise.cli.progress import progress_bar

NOT_REACHED = 1
"""Exit code when no readings bring every body to the target."""


MORE = (
    "Without readings it plans the whole check of a kit; bodies are those of the kit and --body.\n\n"
    "Exit code: 0 the target can be reached, 1 it cannot, 2 bad input."
)


def plan(
    readings: Annotated[
        str | None, argument("READINGS.csv", "Readings already taken; - for standard input.")
    ] = None,
    *,
    kit: Kit = None,
    target: Annotated[
        float, option("µm", "Half width of the 95 % interval of every body.")
    ] = bench.DEFAULT_TARGET_UM,
    body: Annotated[list[str] | None, option("NAME", "A body to plan for; may be given again.")] = None,
    distance: Annotated[
        list[str] | None,
        option("LENGTH", "Where a chart can be taped; may be given again. 3, 6 and 12 ft without it."),
    ] = None,
    k: Annotated[
        float | None, option("SHARE", "The reader's spread as a share of f-number x circle of confusion.")
    ] = None,
    is_by_picture: Annotated[
        bool, flag("--by-picture", "Landings measured by picture (the meter), not read by eye.")
    ] = False,
    unit: Unit = None,
    as_json: AsJson = False,
) -> None:
    """Plan what to read so that every body is known to ±target, or why that cannot be reached."""
    with progress_bar() as progress:
        planned = bench.plan_file(
            None if readings is None else readings_source(readings),
            kit_path=kit,
            target_um=target,
            bodies=body or (),
            distances=distance or (),
            k=k,
            is_by_picture=is_by_picture,
            unit=unit,
            progress=progress,
        )
    show_report(planned, bench.plan_json, bench.print_plan, as_json=as_json)
    if not planned.plan.is_reached:
        raise typer.Exit(NOT_REACHED)
