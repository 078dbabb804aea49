"""``shimwise optics``: conversions and tables, each a sentence, or JSON on request."""

import math
import textwrap
from typing import Annotated

import typer

from shimwise.bench.desk import optics as bench
from shimwise.cli.options import (
    AsJson,
    FocalMm,
    argument,
    distance_option,
    length_option,
    option,
    signed_length_mm,
)
from shimwise.cli.output import show
from shimwise.lengths import length_to_mm, mm_to_feet_text, mm_to_metric_text

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)


_BETWEEN = "Separation of the principal planes, of either sign; 0 when unknown."
Separation = Annotated[float, length_option(_BETWEEN, parser=signed_length_mm)]
Distance = Annotated[float, distance_option("Witness mark to chart, such as 3', 914 mm, INF.")]
Fnumber = Annotated[float, option("N", "f-number.", "--fnumber")]


@app.command(context_settings={"ignore_unknown_options": True})
def length(
    text: Annotated[str, argument("LENGTH", "A length with its unit, such as 2' 11 1/2\" or 91.4 cm.")],
    *,
    as_json: AsJson = False,
) -> None:
    """Read a length as a technician writes it, into millimetres."""
    mm = length_to_mm(text)
    if math.isinf(mm):
        sentence = "Infinity."
    else:
        sentence = f"{mm:.10g} mm, that is {mm_to_feet_text(mm, denominator=64)} to the nearest 1/64 inch."
    show({"mm": mm}, sentence, as_json=as_json)


@app.command()
def landing(
    *,
    focal: FocalMm,
    distance: Distance,
    reading: Annotated[float, distance_option("Where the ring stands when sharp.")],
    separation: Separation = 0.0,
    as_json: AsJson = False,
) -> None:
    """Turn a reading into microns at the sensor (short < 0 < deep)."""
    answer = bench.landing(focal_mm=focal, distance_mm=distance, reading_mm=reading, separation_mm=separation)
    text = f"Lands {_side(answer.landing_um)}.\nMagnification at the chart {answer.magnification:.5f}."
    show(answer, text, as_json=as_json)


@app.command()
def reading(
    *,
    focal: FocalMm,
    distance: Distance,
    landing: Annotated[float, option("µm", "Error at the sensor in µm, short < 0 < deep.")],
    separation: Separation = 0.0,
    as_json: AsJson = False,
) -> None:
    """Compute the reading of the ring for an error at the sensor."""
    answer = bench.ring_reading(
        focal_mm=focal, distance_mm=distance, landing_um=landing, separation_mm=separation
    )
    is_far = math.isinf(answer.reading_mm)
    place = "infinity" if is_far else f"{answer.reading_text} ({_metric(answer.reading_mm)})"
    text = f"The ring stands at {place} when the chart is sharp."
    show(answer, text, as_json=as_json)


@app.command()
def depth(
    *,
    focal: FocalMm,
    fnumber: Fnumber,
    coc: Annotated[float, length_option("Circle of confusion, such as 0.02.")],
    distance: Annotated[float, distance_option("Subject from the FRONT PRINCIPAL PLANE.")],
    as_json: AsJson = False,
) -> None:
    """Compute depth of field and depth of focus, by geometry alone."""
    answer = bench.depth(focal_mm=focal, fnumber=fnumber, coc_mm=coc, distance_mm=distance)
    lines = [
        ("in focus from", _metric(answer.near_mm)),
        ("to", "infinity" if math.isinf(answer.far_mm) else _metric(answer.far_mm)),
        ("hyperfocal distance", _metric(answer.hyperfocal_mm)),
        ("magnification", f"{answer.magnification:.5f}"),
        ("depth of focus, total", f"{1e3 * answer.depth_of_focus_mm:.1f} µm"),
    ]
    text = "\n".join(f"{name:<23}{value}" for name, value in lines)
    show(answer, text, as_json=as_json)


@app.command()
def mtf(
    *,
    fnumber: Fnumber,
    frequency: Annotated[float, option("N", "Cycles/mm at the sensor.")],
    defocus_um: Annotated[float, option("µm", "Sensor from best focus in µm.")],
    wavelength_um: Annotated[float, option("µm", "Wavelength in µm.")] = 0.55,
    as_json: AsJson = False,
) -> None:
    """Compute the contrast that a perfect lens passes out of focus."""
    answer = bench.contrast(
        fnumber=fnumber, frequency_cy_mm=frequency, defocus_um=defocus_um, wavelength_um=wavelength_um
    )
    reversed_ = ", light and dark reversed" if answer.otf < 0 else ""
    text = f"A perfect lens passes {100 * answer.mtf:.2f} % of the contrast{reversed_}."
    show(answer, text, as_json=as_json)


@app.command()
def plate(
    *,
    thickness: Annotated[float, length_option("Thickness of plate or gel.")],
    index: Annotated[float, option("N", "Index of refraction, such as 1.5.")],
    fnumber: Annotated[float | None, option("N", "For the marginal ray; paraxial without it.")] = None,
    as_json: AsJson = False,
) -> None:
    """Compute how far a plate or gel behind the lens moves focus back."""
    shift_um = bench.plate_shift_um(thickness_mm=thickness, index=index, fnumber=fnumber)
    ray = "paraxial" if fnumber is None else f"marginal ray at f/{fnumber:g}"
    text = f"Focus moves {shift_um:.2f} µm away from the lens ({ray})."
    show({"shift_um": shift_um}, text, as_json=as_json)


@app.command()
def heat(
    *,
    material: Annotated[str, option("NAME", "Such as aluminium; a clear beginning will do.")],
    length: Annotated[float, length_option("Length of the part.")],
    kelvin: Annotated[float, option("K", "CHANGE of temperature, cooling < 0.")],
    as_json: AsJson = False,
) -> None:
    """Compute how much a part grows when it warms."""
    change_um = bench.heat_change_um(material=material, length_mm=length, change_k=kelvin)
    grows = "shrinks" if change_um < 0 else "grows"
    text = f"The part {grows} by {abs(change_um):.2f} µm. Real mounts mix materials."
    show({"change_um": change_um}, text, as_json=as_json)


@app.command()
def mounts(*, as_json: AsJson = False) -> None:
    """List nominal flange depths by mount, with the source of each."""
    known = bench.mounts()
    lines = [f"{'mount':<20}{'flange':>9}  source"]
    for mount in known:
        source = textwrap.wrap(mount.source, 49)
        lines.append(f"{mount.mount:<20}{mount.flange_mm:>6.3f} mm  {source[0]}")
        lines.extend(" " * 31 + rest for rest in source[1:])
    show(known, "\n".join(lines), as_json=as_json)


def _side(landing_um: float) -> str:
    """Write a landing in words, to a hundredth of a micron."""
    if round(landing_um, 2) == 0:
        return "on the mark"
    side, ring = ("short", "nearer than") if landing_um < 0 else ("deep", "beyond")
    return f"{abs(landing_um):.2f} µm {side} at the sensor (the ring stands {ring} the chart)"


def _metric(mm: float) -> str:
    return mm_to_metric_text(mm, resolution_mm=0.1)
