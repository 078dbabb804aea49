"""The readings file and the kit of a prep, as text in the project's formats."""

import csv
import io
import json
import math
from collections.abc import Iterable

from numpy.random import Generator

from benchmarks.worlds.bench.marks import QUARTER_INCH, written
from benchmarks.worlds.bench.prep import Prep, Row
from benchmarks.worlds.bench.units import Lens

COLUMNS = ("body", "lens", "focal_length_mm", "f_number", "distance", "reading", "operator", "setup")


def readings_csv(rows: Iterable[Row]) -> str:
    """Write rows as a readings file; columns beyond the required ones only where some row needs them."""
    rows = list(rows)
    extra = []
    if any(row.squeeze != 1 for row in rows):
        extra += ["squeeze", "axis"]
    if any(row.focus_design for row in rows):
        extra += ["focus_design"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, *extra])
    for row in rows:
        more = {"squeeze": f"{row.squeeze:g}", "axis": row.axis, "focus_design": row.focus_design}
        writer.writerow(
            [
                row.body,
                row.lens,
                f"{row.focal_mm:g}",
                f"{row.f_number:g}",
                row.distance,
                row.reading,
                row.operator,
                row.setup,
                *(more[name] for name in extra),
            ]
        )
    return out.getvalue()


def kit_toml(prep: Prep, rng: Generator, *, with_marks: bool = True) -> str:
    """Write what the kit says: tolerance, zooms, and whatever ``prep.told`` names; ``""`` where nothing.

    Parameters
    ----------
    prep
        The prep and what is told of it.
    rng
        Chance of the gauges and of last time's answers.
    with_marks
        False to leave the engraved marks out, for a reader that does not know them yet.
    """
    told, parts = prep.told, []
    if told.tolerance_um != 10.0:
        parts.append(f"tolerance_um = {told.tolerance_um:g}\n")
    for body in prep.bodies:
        lines = _known(body.flange_error_um, told.body_history_sd_um, told.body_gauge_sd_um, rng)
        if lines:
            parts.append(_section("bodies", body.name, lines))
    for lens in prep.lenses:
        lines = _known(lens.flange_error_um, told.lens_history_sd_um, told.lens_gauge_sd_um, rng)
        lines += _lens_lines(lens, marks=told.marks and with_marks, separations=told.separations)
        if lines:
            parts.append(_section("lenses", lens.name, lines))
    return "\n".join(parts)


def _known(
    error_um: float, history_sd_um: float | None, gauge_sd_um: float | None, rng: Generator
) -> list[str]:
    lines = []
    for name, sd_um in (("history_mean_um", history_sd_um), ("gauge_um", gauge_sd_um)):
        if sd_um is not None:
            lines += [f"{name} = {error_um + sd_um * rng.standard_normal():.3f}"]
            lines += [f"{name.removesuffix('_mean_um').removesuffix('_um')}_sd_um = {sd_um:g}"]
    return lines


def _lens_lines(lens: Lens, *, marks: bool, separations: bool) -> list[str]:
    lines = []
    if lens.is_zoom:
        lines.append(f"focal_length_mm = [{', '.join(f'{focal.engraved_mm:g}' for focal in lens.focals)}]")
    if separations:
        lines.append(f"principal_separation_mm = {lens.focals[0].glass.separation_mm:.2f}")
    if marks:
        texts = (
            written(mark, unit=lens.unit, grain=QUARTER_INCH) if math.isfinite(mark) else "INF"
            for mark in lens.marks(lens.focals[0])
        )
        lines.append(f"marks = [{', '.join(json.dumps(text) for text in texts)}]")
    return lines


def _section(kind: str, name: str, lines: list[str]) -> str:
    return f"[{kind}.{json.dumps(name)}]\n" + "\n".join(lines) + "\n"
