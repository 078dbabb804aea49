"""Make a sweep's description, ``sweep.json``: what moved, from where and by what step; camera and lens."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from shimwise.bench.output_files import write_whole
from shimwise.bench.prep.prep_data import material_of
from shimwise.errors import LengthError, RecordError
from shimwise.files.kit_file import read_kit
from shimwise.imaging.frames.errors import DescriptionError
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.source import DESCRIPTION, picture_names
from shimwise.lengths import length_to_mm
from shimwise.record.names import name_key

if TYPE_CHECKING:
    from shimwise.record.record import Record

MOVED = {"sensor": "position_um", "ring": "ring", "chart": "distance", "screw": "turns"}
"""What can move -> the name of its position in the description."""
_LENGTHS = ("ring", "chart")
_DECIMALS = 9
Unit = TypeVar("Unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """What moved between the frames: a first position and a step, or the positions of all frames.

    Of the sensor in µm, + away from the lens; of a screw in turns, + clockwise; of ring and chart lengths, a
    bare number being mm.
    """

    moved: str
    first: str = ""
    step: str = ""
    at: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """Names of body and lens, and what is known of camera and lens."""

    body: str
    lens: str
    recording: Recording
    separation_mm: float | None = None


def describe(folder: Path, moves: Moves, recording: Recording) -> dict[str, Any]:
    """Return the description of a folder's pictures, in the order of the numbers in their names.

    Raises
    ------
    DescriptionError
        If it has one already, holds no pictures, or a position cannot be.
    """
    if not folder.is_dir():
        raise DescriptionError(f"{folder} is no folder; a clip takes --positions FILE.csv.")
    if (folder / DESCRIPTION).exists():
        raise DescriptionError(
            f"{folder} has a {DESCRIPTION} of its own. Leave --moved, --first, --step and --at out, or move "
            "that file away."
        )
    key, names = MOVED.get(moves.moved), picture_names(folder)
    if key is None:
        raise DescriptionError(f"--moved {moves.moved[:40]}: give {', '.join(MOVED)}.")
    if not names:
        raise DescriptionError(f"{folder} holds no pictures. Put the frames there, numbered in their order.")
    positions = _positions(moves, len(names))
    facts = {one.name: getattr(recording, one.name) for one in fields(recording)}
    known = {name: value for name, value in facts.items() if value is not None}
    chart = {"chart": "chart.json"} if (folder / "chart.json").is_file() else {}
    frames = [{"file": name, key: place} for name, place in zip(names, positions, strict=True)]
    return {"frames": frames, **known, "swept": moves.moved, **chart}


def description_words(document: Mapping[str, Any]) -> list[str]:
    """Return what a description says, a line for the frames and one for camera and lens."""
    frames = document["frames"]
    key = MOVED[document["swept"]]
    unit = {"position_um": " µm", "turns": " turns"}.get(key, " mm")
    ends = [
        f"{one['file']} at {one[key]:g}{unit}" for one in (frames[0], frames[1 % len(frames)], frames[-1])
    ]
    texts = {
        "focal_mm": "{:g} mm",
        "fnumber": "f/{:g}",
        "pitch_um": "pixels of {:g} µm",
        "transfer": "transfer {}",
    }
    known = [text.format(document[name]) for name, text in texts.items() if name in document]
    chart = "with chart.json" if "chart" in document else "without a chart"
    return [
        f"{len(frames)} frames as the {document['swept']} moves: {ends[0]}, {ends[1]}, … {ends[2]}; {chart}.",
        f"Recorded with {', '.join(known) or 'what the files say'}.",
    ]


def write_description(folder: Path, document: Mapping[str, Any]) -> Path:
    """Write a description into its folder.

    Raises
    ------
    SheetError
        If it cannot be written there.
    """
    path = folder / DESCRIPTION
    write_whole(path, json.dumps(document, ensure_ascii=False, indent=1) + "\n")
    return path


def has_description(folder: Path) -> bool:
    """Return whether a folder has a description."""
    return (folder / DESCRIPTION).exists()


def optics_of_kit(path: Path, *, body: str, lens: str) -> Optics:
    """Return what a kit says of a body and a lens; the only one of its kind where none is named.

    Raises
    ------
    KitError, RecordError
        If the file is none, or has no such unit.
    """
    kit = read_kit(path)
    body_name, of_body = _chosen("body", body, kit.bodies)
    lens_name, of_lens = _chosen("lens", lens, kit.lenses)
    return Optics(
        body=body_name,
        lens=lens_name,
        recording=_recording(of_lens.focal_lengths_mm, of_lens.fnumber, of_body.pixel_pitch_um),
        separation_mm=of_lens.separation_mm,
    )


def optics_of_prep(record: "Record", prep_id: str, *, body: str, lens: str) -> Optics:
    """Return what the record knows of a prep's body and lens; as :func:`optics_of_kit`."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
    body_name, of_body = _chosen("body", body, {row.name: row for row in material.bodies.values()})
    lens_name, of_lens = _chosen("lens", lens, {row.name: row for row in material.lenses.values()})
    return Optics(
        body=body_name,
        lens=lens_name,
        recording=_recording(of_lens.focal_lengths_mm, of_lens.fnumber, of_body.pixel_pitch_um),
        separation_mm=of_lens.separation_mm,
    )


def _recording(focal_lengths_mm: Sequence[float], fnumber: float | None, pitch_um: float | None) -> Recording:
    is_prime = len(focal_lengths_mm) == 1  # a zoom's was set by hand
    return Recording(focal_mm=focal_lengths_mm[0] if is_prime else None, fnumber=fnumber, pitch_um=pitch_um)


def _chosen(kind: str, name: str, known: Mapping[str, Unit]) -> tuple[str, Unit]:
    if not name and len(known) == 1:
        return next(iter(known.items()))
    found = [(one, unit) for one, unit in known.items() if name_key(one) == name_key(name)]
    if found:
        return found[0]
    asked = f"--{kind} {name}: there is no such {kind}" if name else f"--{kind} is missing"
    raise RecordError(f"{asked}. Known are {', '.join(known) or 'none'}.")


def _positions(moves: Moves, count: int) -> list[float]:
    """Return the position of each frame, as the description counts it."""
    is_length = moves.moved in _LENGTHS
    if moves.at:
        if moves.first or moves.step:
            raise DescriptionError("--at names all positions; leave --first and --step out.")
        if len(moves.at) != count:
            raise DescriptionError(f"--at has {len(moves.at)} positions and the folder {count} pictures.")
        return [_place("--at", text, is_length=is_length) for text in moves.at]
    if not (moves.first and moves.step):
        raise DescriptionError(
            "Give --first and --step, such as --first -60 --step 10, or all positions by --at."
        )
    first = _place("--first", moves.first, is_length=is_length)
    step = _signed("--step", moves.step, is_length=is_length)
    if step == 0:
        raise DescriptionError("--step 0: the frames would all lie at one place.")
    positions = [round(first + number * step, _DECIMALS) for number in range(count)]
    if is_length and min(positions) <= 0:
        raise DescriptionError(
            f"--step {moves.step}: the last of {count} frames would lie at {positions[-1]:g} mm."
        )
    return positions


def _place(option: str, text: str, *, is_length: bool) -> float:
    value = _signed(option, text, is_length=is_length)
    if is_length and value <= 0:
        raise DescriptionError(f"{option} {text}: is no distance above 0.")
    return value


def _signed(option: str, text: str, *, is_length: bool) -> float:
    """Read a number, or a length in mm, of either sign."""
    plain = text.strip().replace("−", "-")
    sign, bare = (-1.0, plain[1:]) if plain.startswith("-") else (1.0, plain.removeprefix("+"))
    try:
        return sign * (length_to_mm(bare, default_unit="mm") if is_length else float(bare.replace(",", ".")))
    except LengthError as error:
        raise DescriptionError(f"{option} {text}: {error}") from error
    except ValueError:
        raise DescriptionError(f"{option} {text}: is no number; write one as -60 or 0.05.") from None
