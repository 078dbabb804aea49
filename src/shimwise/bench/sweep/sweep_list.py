"""The frames of a sweep with their positions as a person says them: ``sweep.json``, made and not written."""

import json
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.bench.errors import InputError
from shimwise.lengths import LengthTextError, length_to_mm, mm_to_feet_text, mm_to_metric_text

SWEPT = {
    "position_um": "the sensor, + away from the lens",
    "turns": "the screw of the sensor, + clockwise",
    "ring": "the focus ring",
    "distance": "the chart",
}
"""What may have moved, by the name of its position in ``sweep.json``."""
LISTS = (".json", ".csv")
"""Endings of files that are no frames."""
CHART = "chart.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedPositions:
    """What a person says of the frames' positions: the first and the step, or all of them.

    ``positions``: separated by semicolons or line breaks; ``first`` and ``step`` stay empty then. Of a ring
    or a chart they are lengths, of the sensor µm, of a screw turns.
    """

    swept: str
    first: str = ""
    step: str = ""
    positions: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedFrame:
    """A frame and its position: as ``sweep.json`` holds it, and in words."""

    file: str
    position: float | str
    words: str


def list_frames(names: Sequence[str], stated: StatedPositions) -> tuple[ListedFrame, ...]:
    """Return the frames among files, in the order of their numbers, each with its position.

    Raises
    ------
    InputError
        If nothing moved, there are no frames, or the positions do not fit them: with its field.
    """
    if stated.swept not in SWEPT:
        raise InputError("Choose what was moved, or send sweep.json with the frames.", field="swept")
    frames = sorted((name for name in names if not name.casefold().endswith(LISTS)), key=_natural)
    if not frames:
        raise InputError("Choose the frames of the sweep.", field="files")
    is_length = stated.swept in ("ring", "distance")
    read = _length if is_length else _number
    if stated.positions.strip():
        texts = [one.strip() for one in re.split(r"[;\n]", stated.positions) if one.strip()]
        if len(texts) != len(frames):
            raise InputError(
                f"are {len(texts)} for {len(frames)} frames. Give one for each frame.", field="positions"
            )
        values = [read(text, "positions") for text in texts]
    else:
        first, step = read(stated.first, "first"), read(stated.step, "step")
        if step == 0 or math.isinf(first) or math.isinf(step):
            raise InputError(
                "has to lead from frame to frame: no 0, no INF.", field="step", typed=stated.step
            )
        values = [first + number * step for number in range(len(frames))]
    if is_length and min(values) <= 0:
        raise InputError(
            "leads to 0 or below. Look at first position and step.", field="step", typed=stated.step
        )
    typed = f"{stated.first} {stated.step} {stated.positions}"
    write = _length_words(typed) if is_length else _number_words(stated.swept)
    return tuple(
        ListedFrame(file=name, position="INF" if math.isinf(value) else value, words=write(value))
        for name, value in zip(frames, values, strict=True)
    )


def sweep_json(names: Sequence[str], stated: StatedPositions) -> bytes:
    """Return the ``sweep.json`` of frames; errors as :func:`list_frames`. The rest comes from the prep."""
    frames = [{"file": one.file, stated.swept: one.position} for one in list_frames(names, stated)]
    document: dict[str, Any] = {"frames": frames, "swept": SWEPT[stated.swept]}
    if CHART in {name.casefold() for name in names}:
        document["chart"] = next(name for name in names if name.casefold() == CHART)
    return json.dumps(document, ensure_ascii=False, indent=1).encode()


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key in which frame 2 comes before frame 10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name.casefold())]


def _length(text: str, field: str) -> float:
    sign = -1 if field == "step" and text.strip().startswith(("-", "−")) else 1
    try:
        return sign * length_to_mm(text.strip().lstrip("+-−") if field == "step" else text, default_unit="mm")
    except LengthTextError as error:
        raise InputError(f"is no length: {error.reason}.", field=field, typed=text) from error


def _number(text: str, field: str) -> float:
    try:
        value = float(text.strip().replace("−", "-").replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError("is no number. Type one such as -50 or 10.", field=field, typed=text)
    return value


def _length_words(typed: str) -> Callable[[float], str]:
    """Write lengths in feet and inches where they were typed so, else in mm."""
    if re.search(r"['\"′″]|\b(?:ft|in)\b", typed):
        return mm_to_feet_text
    return lambda mm: mm_to_metric_text(mm, resolution_mm=0.1)


def _number_words(swept: str) -> Callable[[float], str]:
    unit = "µm" if swept == "position_um" else "turns"
    return lambda value: f"{value:+g} {unit}".replace("-", "−")
