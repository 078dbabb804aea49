"""``shimwise chart``: a test chart at true scale, as a PDF."""

import json
import re
from pathlib import Path
from typing import Annotated

from shimwise.bench.desk import charts as bench
from shimwise.bench.output_files import write_whole
from shimwise.cli.options import AsJson, FocalIfKnown, distance_option, flag, option
from shimwise.cli.output import check_free, show
from shimwise.errors import SheetError


def size_mm(text: str) -> tuple[float, float]:
    """Read ``WxH`` in mm, such as 36x24.

    Raises
    ------
    SheetError
        When it is not two numbers with an x between.
    """
    match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*[x×]\s*([0-9]+(?:\.[0-9]+)?)\s*(?:mm)?\s*", text, re.I)
    if match is None:
        raise SheetError(f"The sensor {text!r} is no size; write width and height in mm, such as 36x24.")
    return float(match.group(1)), float(match.group(2))


def chart(
    *,
    out: Annotated[Path, option("FILE.pdf", "Where the PDF goes.")] = Path("chart.pdf"),
    paper: Annotated[
        str, option("PAPER", "A4, A3, Letter, Tabloid, or a size in mm such as 600x400.")
    ] = "A4",
    auto: Annotated[bool, flag("--auto", "Choose stars and markers for the camera.")] = False,
    focal: FocalIfKnown = None,
    distance: Annotated[float | None, distance_option("Witness mark to chart, such as 3' or 914 mm.")] = None,
    sensor: Annotated[str | None, option("WxH", "Picture on the sensor in mm, such as 36x24.")] = None,
    pitch: Annotated[float | None, option("µm", "Pixel pitch.")] = None,
    fnumber: Annotated[float | None, option("N", "f-number.")] = None,
    stars: Annotated[int, option("COUNT", "5 or 9.")] = 5,
    kind: Annotated[str, option("KIND", "Spokes: binary or sinusoidal.")] = "binary",
    radius: Annotated[float | None, option("mm", "Centre star's radius.")] = None,
    spokes: Annotated[int | None, option("COUNT", "Centre star's dark spokes.")] = None,
    small_radius: Annotated[float | None, option("mm", "Other stars' radius.")] = None,
    small_spokes: Annotated[int | None, option("COUNT", "Other stars' dark spokes.")] = None,
    marker: Annotated[float | None, option("mm", "Markers' side.")] = None,
    layout: Annotated[Path | None, option("chart.json", "Write the layout here too.")] = None,
    picture: Annotated[
        Path | None, option("PICTURE", "Read the layout from a picture of a printed sheet, and print none.")
    ] = None,
    is_forced: Annotated[bool, flag("--force", "Write over a file that is there, unasked.")] = False,
    as_json: AsJson = False,
) -> None:
    """Print a test chart at true scale, with what it suits and what it does not."""
    if picture is not None:
        _show_known(picture, layout, as_json=as_json)
        return
    for path in (out, layout):
        if path is not None:
            check_free(path, is_forced=is_forced, as_json=as_json)
    made = bench.make_chart(
        paper=paper,
        stars=stars,
        kind=kind,
        is_auto=auto,
        camera=bench.CameraFacts(
            focal_mm=focal,
            distance_mm=distance,
            sensor_mm=None if sensor is None else size_mm(sensor),
            pitch_um=pitch,
            fnumber=fnumber,
        ),
        sizes=bench.Sizes(
            radius_mm=radius,
            spokes=spokes,
            small_radius_mm=small_radius,
            small_spokes=small_spokes,
            marker_mm=marker,
        ),
    )
    write_whole(out, made.pdf)
    if layout is not None:
        write_whole(layout, made.layout_json.encode())
    result = {
        "id": made.id,
        "file": str(out),
        "paper": made.paper,
        "suits": made.suits,
        "does_not_suit": made.does_not,
        "layout": made.layout,
    }
    show(result, _sentences(made, out), as_json=as_json)


def _show_known(picture: Path, layout: Path | None, *, as_json: bool) -> None:
    """Find which chart a picture shows, and keep its layout."""
    known = bench.layout_of_picture(picture)
    text = json.dumps(known, indent=1, ensure_ascii=False) + "\n"
    if layout is not None:
        write_whole(layout, text)
    where = f"; its layout is in {layout}" if layout else ". Add --layout chart.json to keep its layout"
    result = {"id": known["id"], "layout": known}
    show(result, f"{picture} shows chart {known['id'][:4]}-{known['id'][4:]}{where}.", as_json=as_json)


def _sentences(made: bench.MadeChart, out: Path) -> str:
    lines = [f"Chart {made.id[:4]}-{made.id[4:]} for {made.paper} is in {out}. Print it at 100 %."]
    for head, reasons in (("Suits", made.suits), ("Does not suit", made.does_not)):
        lines += [f"\n{head}:", *(f"  {text}" for text in reasons)] if reasons else []
    return "\n".join(lines)
