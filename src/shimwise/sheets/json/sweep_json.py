"""A sweep as JSON, ``shimwise.sweep/2``; ``/1`` is read too. The schema lies beside this module."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.json.documents import schema_error, standard

SCHEMA_ID = "shimwise.sweep/2"
PLACES = 7
"""Decimals written: enough for a magnification; of microns far below any uncertainty."""
LARGEST_BYTES = 2**24


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepStar:
    """A star's place in the frame [px] and its peak, also along and across the radius if found. [µm]"""

    id: str
    x_px: float
    y_px: float
    best_um: float
    sd_um: float | None
    sagittal_um: float | None
    tangential_um: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTilt:
    """Right edge less left, bottom less top [µm], and how far the chart was turned [°]; None: not known."""

    x_um: float | None
    x_sd_um: float | None
    y_um: float | None
    y_sd_um: float | None
    chart_yaw_deg: float | None
    chart_pitch_deg: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherReading:
    """Another reading of the same frames with its 95 % interval [µm]; ``code`` names it."""

    best_um: float
    low_um: float
    high_um: float
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """A sweep's result as ``shimwise.sweep/2`` holds it; ``best_um`` is None where a flag withholds it."""

    best_um: float | None
    sd_um: float | None
    low_um: float | None
    high_um: float | None
    landing_um: float | None
    band_cy_mm: tuple[float, float] | None
    stars: tuple[SweepStar, ...]
    tilt: SweepTilt
    flags: tuple[str, ...]
    channel: str = ""
    alternatives: tuple[OtherReading, ...] = ()
    warnings: tuple[str, ...] = ()
    swept: str = "sensor"
    best_at_mm: float | None = None
    is_relative: bool = False
    body: str = ""
    lens: str = ""
    best_turns: float | None = None
    low_turns: float | None = None
    high_turns: float | None = None

    @property
    def half_um(self) -> float:
        """Half the 95 % interval of best focus [µm]; NaN where it is withheld."""
        if self.low_um is None or self.high_um is None:
            return math.nan
        return (self.high_um - self.low_um) / 2


def sweep_from_json(document: Mapping[str, Any]) -> Sweep:
    """Return a sweep from its document, which follows the schema."""
    known = {field.name for field in fields(Sweep)} & document.keys()
    stars = (SweepStar(**{f.name: star[f.name] for f in fields(SweepStar)}) for star in document["stars"])
    tilt = {field.name: document["tilt"].get(field.name) for field in fields(SweepTilt)}
    others = tuple(OtherReading(**one) for one in document.get("alternatives", ()))
    parts = {
        "alternatives": others,
        "stars": tuple(stars),
        "tilt": SweepTilt(**tilt),
        "flags": tuple(document["flags"]),
    }
    return Sweep(**{**{name: document[name] for name in known}, **parts})


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFacts:
    """What was swept and what was under test; None where it is not known.

    ``swept`` is ``sensor``, ``ring``, ``chart`` or ``screw``; ``best_at_mm`` where the ring or the chart
    is when the picture is sharp [mm]; ``distance_mm`` the taped distance [mm], which may be infinite;
    ``um_per_turn`` the travel of the screw for a turn, ``um_per_turn_sd`` its standard uncertainty where the
    blur shows it [µm].
    """

    swept: str = "sensor"
    best_at_mm: float | None = None
    is_relative: bool = False
    body: str | None = None
    lens: str | None = None
    setup: str | None = None
    distance_mm: float | None = None
    focal_mm: float | None = None
    fnumber: float | None = None
    um_per_turn: float | None = None
    um_per_turn_sd: float | None = None


def sweep_to_json(
    measured: Mapping[str, Any], facts: SweepFacts, *, warnings: Sequence[str] = ()
) -> dict[str, Any]:
    """Return a sweep as an object of standard JSON.

    Parameters
    ----------
    measured : mapping
        What was measured, with the keys that the schema requires.
    facts : SweepFacts
        What was swept and what was under test.
    warnings : sequence of str
        What is to be known of the files.

    Returns
    -------
    dict
        As in ``sweep.schema.json``; what is no finite number is None, and so is an infinite distance.
    """
    names = {
        "body": facts.body,
        "lens": facts.lens,
        "setup": facts.setup,
        "distance_mm": facts.distance_mm,
        "focal_length_mm": facts.focal_mm,
        "f_number": facts.fnumber,
    }
    document = {
        **measured,
        "warnings": list(warnings),
        "swept": facts.swept,
        "best_at_mm": facts.best_at_mm,
        "is_relative": facts.is_relative,
        **_turns(measured, facts),
        **{key: value for key, value in names.items() if value is not None and value != ""},
    }
    out: dict[str, Any] = standard(document, PLACES)
    return out


def _turns(measured: Mapping[str, Any], facts: SweepFacts) -> dict[str, Any]:
    """Return best focus in turns of the screw, + clockwise, and its travel, where that was swept."""
    um_per_turn = facts.um_per_turn
    if um_per_turn is None:
        return {}
    found = {f"{name}_turns": measured[f"{name}_um"] for name in ("best", "sd", "low", "high")}
    turns = {key: None if um is None else um / um_per_turn for key, um in found.items()}
    seen = {} if facts.um_per_turn_sd is None else {"um_per_turn_sd": facts.um_per_turn_sd}
    return {**turns, "um_per_turn": um_per_turn, **seen}


def validate_sweep(document: object, *, name: str = "This") -> None:
    """Raise SheetError if a document does not follow the sweep's schema: with the place and the reason."""
    if error := schema_error(document, "sweep"):
        raise _refusal(name, error)


def read_sweep(path: str | Path) -> dict[str, Any]:
    """Read a sweep's result from its file, and check it.

    Raises
    ------
    SheetError
        If the file cannot be read, is no JSON, or does not follow the schema.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise SheetError(
            f"{file} cannot be read ({error.strerror or error}). Give a file that shimwise sweep --out wrote."
        ) from error
    if len(content) > LARGEST_BYTES:
        raise _refusal(file.name, f"it has more than {LARGEST_BYTES // 2**20} MiB")
    try:
        document: dict[str, Any] = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise _refusal(file.name, f"it is no JSON ({str(error)[:200]})") from error
    validate_sweep(document, name=file.name)
    return document


def _refusal(name: str, what: str) -> SheetError:
    return SheetError(
        f"{name} is no sweep of the form {SCHEMA_ID}: {what}. Write it anew with shimwise sweep --out."
    )
