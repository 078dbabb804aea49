"""``shimwise sweep``: frames through focus to best focus, tilt and landing, as words, JSON and figure.

Several folders, or a list of them, are measured by :mod:`shimwise.cli.desk.sweeps`.
"""

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.desk import judge as figures
from shimwise.bench.errors import InputError
from shimwise.bench.exchange import record_admin
from shimwise.bench.executors import workers_of
from shimwise.bench.output_files import write_whole
from shimwise.bench.sweep import describe as describing
from shimwise.bench.sweep import measure as bench
from shimwise.bench.sweep.many import NO_DESCRIPTION
from shimwise.bench.sweep.moves import Moves
from shimwise.cli.desk.sweeps import (
    RESULTS,
    WITHHELD,
    ManyFiles,
    listed_folders,
    refuse_single,
    sweep_many,
)
from shimwise.cli.options import (
    AsJson,
    Figure,
    FocalIfKnown,
    Workers,
    argument,
    distance_option,
    flag,
    length_option,
    option,
    signed_length_mm,
)
from shimwise.cli.output import is_asked, show, show_report
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import Data
from shimwise.errors import ImagingError, RecordError

MORE = (
    "Several folders, or --list, are measured side by side; what is kept in the file of results is not "
    "measured again, and a bad folder stops no other.\n\n"
    "Exit code: 0 measured, 1 measured but a flag withholds best focus (of many: of one at least, or one is "
    "refused), 2 bad input (of many: all are)."
)


def numbers(text: str, form: str) -> list[float]:
    """Read numbers with commas between, as many as the form has.

    Raises
    ------
    typer.BadParameter
        When there are more or fewer, or one is no number.
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != form.count(",") + 1 or not all(re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", p) for p in parts):
        raise typer.BadParameter(f"{text!r} is not {form}; give numbers with commas between.")
    return [float(part) for part in parts]


def star_of(text: str) -> bench.OwnStar:
    """Read ``X,Y,R,SPOKES``."""
    x, y, radius, spokes = numbers(text, "X,Y,R,SPOKES")
    if spokes != int(spokes) or not 3 <= spokes <= 720:
        raise typer.BadParameter(f"{spokes:g} spokes are none; give the count of dark spokes, 3 to 720.")
    return bench.OwnStar(centre_px=(x, y), radius_px=radius, spokes=int(spokes))


def region_of(text: str) -> tuple[int, int, int, int]:
    """Read ``X,Y,W,H``."""
    left, top, width, height = (int(value) for value in numbers(text, "X,Y,W,H"))
    return left, top, width, height


def _optics(
    kit: Path | None, prep: str | None, data: str | None, *, body: str, lens: str
) -> describing.Optics | None:
    if kit is not None:
        return describing.optics_of_kit(kit, body=body, lens=lens)
    if prep is None:
        return None
    with record_admin.open_record(data, is_read_only=True) as record:
        prep_id = record_admin.find_prep(record, prep)
        return describing.optics_of_prep(record, prep_id, body=body, lens=lens)


def _described(place: Path, moves: Moves, given: bench.Recording, *, is_dry_run: bool, as_json: bool) -> bool:
    """Show the description, and write it where that is wanted; return whether to measure."""
    try:
        document = describing.describe(place, moves, given)
    except InputError as error:
        raise RecordError(f"{f'--{error.field} {error.typed}'.strip()}: {error.reason}") from error
    if is_dry_run or not as_json:
        show(document, "\n".join(describing.description_words(document)), as_json=as_json)
    if is_dry_run or (
        is_asked(as_json=as_json) and not typer.confirm("Write it as sweep.json, and measure?")
    ):
        return False
    path = describing.write_description(place, document)
    if not as_json:
        typer.echo(f"Written as {path}.\n")
    return True


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _only(places: Sequence[Path]) -> Path:
    if not places:
        raise typer.BadParameter("is missing; name the folder of the frames.", param_hint="FOLDER|CLIP")
    return places[0]


def sweep(
    places: Annotated[
        list[Path] | None, argument("FOLDER|CLIP…", "The frames; of several folders a sweep each.")
    ] = None,
    *,
    list_: Annotated[Path | None, option("FILE", "Many sweeps: a folder a line.", "--list")] = None,
    table: Annotated[Path | None, option("FILE", "Of many sweeps a table: .csv or .jsonl.")] = None,
    page: Annotated[Path | None, option("FILE.pdf", "Of many sweeps a page, a row each.")] = None,
    workers: Workers = None,
    positions: Annotated[
        Path | None, option("FILE.csv", "Position of each frame; needed for a clip.")
    ] = None,
    chart: Annotated[
        Path | None, option("chart.json", "The chart's layout, when it is not beside them.")
    ] = None,
    star: Annotated[
        str | None, option("X,Y,R,SPOKES", "A star of your own: centre and radius in px.")
    ] = None,
    region: Annotated[str | None, option("X,Y,W,H", "No chart: measure this part, in px; relative.")] = None,
    no_chart: Annotated[bool, flag("--no-chart", "Measure the most textured part; relative.")] = False,
    focal: FocalIfKnown = None,
    fnumber: Annotated[float | None, option("N", "f-number.")] = None,
    pitch: Annotated[float | None, option("µm", "Pixel pitch.")] = None,
    transfer: Annotated[
        str | None, option("CURVE", "Curve of the codes: linear, sRGB, Rec.709, or a log curve's name.")
    ] = None,
    signal_range: Annotated[str | None, option("RANGE", "Of a clip: full or limited.", "--range")] = None,
    channel: Annotated[str | None, option("WHICH", "Of colour stills: luma (usual) or green.")] = None,
    black: Annotated[float | None, option("CODE", "Code of black.")] = None,
    white: Annotated[float | None, option("CODE", "Code of white.")] = None,
    body: Annotated[str, option("NAME", "Name of the body.")] = "",
    lens: Annotated[str, option("NAME", "Name of the lens.")] = "",
    setup: Annotated[str, option("NAME", "Name of the set-up.")] = "",
    distance: Annotated[
        float | None, distance_option("Witness mark to chart; the ring stands there.")
    ] = None,
    reading: Annotated[float | None, distance_option("Where the ring stands while the chart moves.")] = None,
    separation: Annotated[
        float, length_option("Separation of the principal planes.", parser=signed_length_mm)
    ] = 0.0,
    um_per_turn: Annotated[
        float | None, option("µm", "Travel of the body's screw, if that moves.", min=1.0, max=5000.0)
    ] = None,
    moved: Annotated[str, option("WHAT", "Make sweep.json: what moved, sensor, ring, chart or screw.")] = "",
    first: Annotated[str, option("PLACE", "Position of the first frame: µm, turns, or a length.")] = "",
    step: Annotated[str, option("PLACE", "From frame to frame, + or −.")] = "",
    at: Annotated[str, option("P,P,…", "Positions of all frames instead, commas between.")] = "",
    kit: Annotated[Path | None, option("KIT.toml", "Camera and lens for sweep.json, from a kit.")] = None,
    prep: Annotated[str | None, option("PREP", "Camera and lens from a prep of the record.")] = None,
    data: Data = None,
    is_dry_run: Annotated[
        bool, flag("--dry-run", "Show sweep.json as it would be, and write nothing.")
    ] = False,
    out: Annotated[
        Path | None, option("FILE", "Keep the result (.json); of many a line each, sweeps.jsonl.")
    ] = None,
    figure: Figure = None,
    as_json: AsJson = False,
) -> None:
    """Find best focus in frames along a known coordinate: of sensor, ring, chart or the body's screw."""
    if figure is not None:
        figures.check_figure_path(figure)
    looked_at = bench.LookedAt(
        chart=chart,
        star=None if star is None else star_of(star),
        region_px=None if region is None else region_of(region),
        no_chart=no_chart,
    )
    given = bench.Recording(
        focal_mm=focal,
        fnumber=fnumber,
        pitch_um=pitch,
        transfer=transfer,
        signal_range=signal_range,
        channel=channel,
        black_level=black,
        white_level=white,
    )
    known = _optics(kit, prep, data, body=body, lens=lens)
    if known is not None:
        given, body, lens = given.or_else(known.recording), known.body, known.lens
        separation = separation or known.separation_mm or 0.0
    unit = bench.UnderTest(
        body=body,
        lens=lens,
        setup=setup,
        distance_mm=distance,
        reading_mm=reading,
        separation_mm=separation,
        um_per_turn=um_per_turn,
    )
    found = list(places or ()) + ([] if list_ is None else listed_folders(list_))
    if list_ is not None or table is not None or page is not None or workers or len(found) > 1:
        refuse_single(
            {
                "--positions": positions,
                "--figure": figure,
                "--moved": moved,
                "--first": first,
                "--step": step,
                "--at": at,
                "--dry-run": is_dry_run,
            }
        )
        sweep_many(
            found,
            looked_at=looked_at,
            recording=given,
            under_test=unit,
            files=ManyFiles(results=out or RESULTS, table=table, page=page),
            workers=workers_of(workers),
            as_json=as_json,
        )
        return
    place = _only(found)
    if moved or first or step or at:
        moves = Moves(moved=moved or "sensor", first=first, step=step, at=_parts(at))
        if not _described(place, moves, given, is_dry_run=is_dry_run, as_json=as_json):
            return
    elif is_dry_run:
        raise typer.BadParameter("is for --moved, --first, --step or --at.", param_hint="--dry-run")
    elif place.is_dir() and positions is None and not describing.has_description(place):
        raise ImagingError(NO_DESCRIPTION.format(place))
    with progress_bar() as progress:
        measured = bench.measure(
            place,
            positions=positions,
            looked_at=looked_at,
            recording=given,
            under_test=unit,
            progress=progress,
        )
        if figure is not None:
            bench.save_sweep_figure(measured, figure)
        if out is not None:
            write_whole(out, json.dumps(measured.document, indent=1, ensure_ascii=False) + "\n")
    show_report(measured, lambda one: one.document, bench.print_sweep, as_json=as_json)
    for words, path in (("The figure is in", figure), ("The result is in", out)):
        if path is not None and not as_json:
            typer.echo(f"{words} {path}.")
    if not measured.is_measured:
        raise typer.Exit(WITHHELD)
