"""What a sweep lists: the frames with their positions, from sweep.json or from a CSV of positions."""

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from shimwise.errors import LengthError
from shimwise.imaging.frames.errors import DescriptionError
from shimwise.imaging.frames.folder import read_text
from shimwise.imaging.frames.limits import MAX_FRAMES
from shimwise.imaging.frames.recording import Recording, recording_from_json
from shimwise.lengths import length_to_mm


class Coordinate(StrEnum):
    """What a position counts: the sensor's place [µm], ring reading or chart distance [mm], turns of a screw.

    Turns are + clockwise, looking at the head of the screw.
    """

    POSITION_UM = "position_um"
    RING = "ring"
    DISTANCE = "distance"
    TURNS = "turns"


@dataclass(frozen=True, slots=True)
class ListedFrame:
    """One frame as listed: its position, and its file, or its number in a clip counted from 0, or neither."""

    position: float
    file: str | None = None
    frame: int | None = None


@dataclass(frozen=True, slots=True)
class Listing:
    """Frames in the order listed, what their positions count, and the metadata of recording and chart."""

    entries: tuple[ListedFrame, ...]
    coordinate: Coordinate
    recording: Recording
    chart: str | None = None


def read_sweep_json(path: Path) -> Listing:
    """Read a sweep's description.

    Raises
    ------
    DescriptionError
        When it is no JSON object, lists no frames, or a value is missing or impossible; the place is named.
    """
    try:
        data = json.loads(read_text(path))
    except (ValueError, RecursionError) as error:
        raise DescriptionError(f"{path.name} is no JSON: {error}.") from error
    if not isinstance(data, dict):
        raise DescriptionError(
            f"{path.name} holds {type(data).__name__}; expected an object with named fields."
        )
    try:
        recording = recording_from_json(data)
    except DescriptionError as error:
        raise DescriptionError(f"{path.name}: {error}") from error
    rows = data.get("frames")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise DescriptionError(
            f'{path.name}: frames must be a list such as [{{"file": "…", "position_um": 0.0}}].'
        )
    chart = data.get("chart")
    if chart is not None and not isinstance(chart, str):
        raise DescriptionError(f"{path.name}: chart must be the name of a file, such as chart.json.")
    where = [f"{path.name}: frames[{number}]" for number in range(len(rows))]
    entries, coordinate = _entries(rows, where, path.name)
    for entry, place in zip(entries, where, strict=True):
        if entry.file is None:
            raise DescriptionError(f"{place} names no file.")
    return Listing(entries, coordinate, recording, chart)


def read_positions(path: Path) -> Listing:
    """Read a CSV of positions: a header, then a row for each frame.

    One column of ``position_um`` [µm], ``turns`` (of the body's screw, + clockwise), ``ring`` or ``distance``
    (a length as written on a lens, or mm), and
    optionally ``file`` (stills) or ``frame`` (a clip's frames, counted from 0). Comma, semicolon or tab.

    Raises
    ------
    DescriptionError
        When the header or a row is wrong; the row is named.
    """
    text = read_text(path)
    head = text.lstrip().split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    try:
        reader = csv.DictReader(io.StringIO(text.lstrip()), delimiter=delimiter, skipinitialspace=True)
        names = [(name or "").strip().casefold() for name in reader.fieldnames or ()]
        if len(set(names)) != len(names):
            raise DescriptionError(f"{path.name}: a column is twice in the header ({', '.join(names)}).")
        reader.fieldnames = names
        rows = [row for row in reader if any(isinstance(cell, str) and cell.strip() for cell in row.values())]
    except csv.Error as error:
        raise DescriptionError(f"{path.name} is no CSV: {error}.") from error
    where = [f"{path.name}: row {number + 2}" for number in range(len(rows))]
    for row, place in zip(rows, where, strict=True):
        if None in row:
            raise DescriptionError(f"{place} has more cells than the header.")
    entries, coordinate = _entries(rows, where, path.name)
    return Listing(entries, coordinate, Recording())


def _entries(
    rows: list[dict[str, Any]], where: list[str], name: str
) -> tuple[tuple[ListedFrame, ...], Coordinate]:
    if not 0 < len(rows) <= MAX_FRAMES:
        raise DescriptionError(f"{name} lists {len(rows)} frames; from 1 to {MAX_FRAMES} are read.")
    given = {key for row in rows for key in row} & {kind.value for kind in Coordinate}
    if len(given) != 1:
        found = f"found {' and '.join(sorted(given))}" if given else "none was found"
        raise DescriptionError(
            f"{name}: give each frame one of position_um, ring, distance or turns, the same in all; {found}."
        )
    coordinate = Coordinate(given.pop())
    entries = tuple(_entry(row, coordinate, place) for row, place in zip(rows, where, strict=True))
    return entries, coordinate


def _entry(row: Mapping[str, Any], coordinate: Coordinate, where: str) -> ListedFrame:
    file = row.get("file")
    if file is not None and (not isinstance(file, str) or not file.strip()):
        raise DescriptionError(f"{where}: file is {file!r}; give the name of a file in the folder.")
    frame = row.get("frame")
    if frame is not None:
        if isinstance(frame, bool) or not str(frame).strip().isdecimal() or len(str(frame).strip()) > 9:
            raise DescriptionError(f"{where}: frame is {frame!r}; give the frame's number, counted from 0.")
        frame = int(str(frame).strip())
    return ListedFrame(
        _position(row.get(coordinate.value), coordinate, where), file.strip() if file else None, frame
    )


def _position(value: object, coordinate: Coordinate, where: str) -> float:
    number = math.nan
    is_length = coordinate in (Coordinate.RING, Coordinate.DISTANCE)
    if isinstance(value, int | float) and not isinstance(value, bool):
        number = float(value) if abs(value) < 1e300 else math.inf
    elif isinstance(value, str) and not is_length:
        try:
            number = float(value.strip().replace("−", "-").replace(",", "."))
        except ValueError:
            number = math.nan
    elif isinstance(value, str):
        try:
            number = length_to_mm(value, default_unit="mm")
        except LengthError as error:
            raise DescriptionError(f"{where}: {coordinate.value}: {error}") from error
    if math.isnan(number) or (math.isinf(number) and not is_length) or (is_length and number <= 0):
        unit = (
            "a length above 0"
            if is_length
            else f"a number of {coordinate.value.removeprefix('position_').replace('um', 'µm')}"
        )
        raise DescriptionError(f"{where}: {coordinate.value} is {value!r}; give {unit}.")
    return number
