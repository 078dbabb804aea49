"""A measured sweep as evidence beside readings by eye: from its file to a landing that the judge takes in."""

import math
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Any

from shimwise.errors import RecordError
from shimwise.files.kit import KitLens
from shimwise.inference.model.prep import MeasuredLanding, Reading, measured_landing_sd_um
from shimwise.sheets.json.sweep_json import read_sweep

FOCAL_SHARE = 0.03
"""A marked focal length is that of the nearest round number; common practice, no source."""
_NEEDED = {
    "body": "--body",
    "lens": "--lens",
    "distance_mm": "--distance",
    "focal_length_mm": "--focal",
    "f_number": "--fnumber",
}


def sweep_landings(paths: Sequence[str | Path], *, row: int, line: int) -> tuple[MeasuredLanding, ...]:
    """Read the landings of sweeps' results.

    Parameters
    ----------
    paths : sequence of path
        Files that ``shimwise sweep --out`` wrote.
    row, line : int
        Number of the first; they go on after the readings file's.

    Returns
    -------
    tuple of MeasuredLanding
        ``source`` is the file's name.

    Raises
    ------
    SheetError
        If a file cannot be read or is no sweep.
    RecordError
        If it has no landing, or does not name what was under test.
    """
    files = [Path(path) for path in paths]
    twice = next((file for n, file in enumerate(files) if file.resolve() in _resolved(files[:n])), None)
    if twice is not None:
        raise RecordError(f"{twice} is given twice; one sweep is one landing. Give each file once.")
    return tuple(_landing(file, row + n, line + n) for n, file in enumerate(files))


def check_focal(landing: MeasuredLanding, lens: KitLens | None, readings: Iterable[Reading]) -> None:
    """Refuse a sweep whose lens has another focal length in the kit, or else in the readings.

    Raises
    ------
    RecordError
        With both, since its landing was computed with one of them.
    """
    known, where = (lens.focal_lengths_mm, "kit") if lens else ((), "")
    if not known:
        where = "readings"
        known = tuple({one.focal_mm for one in readings if one.lens == landing.lens})
    if not is_focal(landing.focal_mm, known, squeeze=(lens.squeeze if lens else None) or 1.0):
        raise RecordError(
            f"{landing.source} was measured at {landing.focal_mm:g} mm, but {landing.lens} has "
            f"{focal_text(known)} in the {where}. Sweep again with its --focal, or correct the {where}."
        )


def is_focal(focal_mm: float, known_mm: Iterable[float], *, squeeze: float) -> bool:
    """Return whether a lens of these focal lengths can have one; an anamorphic has a shorter one across."""
    known = [value for value in known_mm if value > 0]
    return not known or any(
        (1 - FOCAL_SHARE) * min(known) <= value <= (1 + FOCAL_SHARE) * max(known)
        for value in (focal_mm, focal_mm * squeeze)
    )


def focal_text(known_mm: Collection[float]) -> str:
    """Return a lens's focal length, or those at its ends."""
    low, high = min(known_mm), max(known_mm)
    return f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"


def _resolved(files: Sequence[Path]) -> set[Path]:
    return {file.resolve() for file in files}


def _landing(file: Path, row: int, line: int) -> MeasuredLanding:
    document = read_sweep(file)
    missing = [option for key, option in _NEEDED.items() if key not in document]
    if missing:
        raise RecordError(
            f"{file.name} does not say all that was under test. Sweep again with {', '.join(missing)}, "
            "or write it into the file."
        )
    landing, sd = document["landing_um"], document["sd_um"]
    if document.get("is_relative") or landing is None or sd is None:
        raise RecordError(f"{file.name} has no landing to judge: {_why(document)}.")
    return MeasuredLanding(
        row=row,
        line=line,
        body=document["body"],
        lens=document["lens"],
        focal_mm=float(document["focal_length_mm"]),
        fnumber=float(document["f_number"]),
        distance_mm=math.inf if document["distance_mm"] is None else float(document["distance_mm"]),
        landing_um=float(landing),
        sd_um=measured_landing_sd_um(float(sd)),
        setup=document.get("setup", ""),
        source=file.name,
    )


def _why(document: dict[str, Any]) -> str:
    if document.get("is_relative"):
        return "it was measured without a chart, so its peak is relative. Sweep a chart"
    if document["flags"]:
        return "; ".join(flag.rstrip(".") for flag in document["flags"][:2])
    if document.get("swept") == "sensor":
        return "the meter measured its positions from its own pictures. Sweep to places that are read"
    return "where the chart or the ring stands was not said. Sweep again with --distance or --reading"
