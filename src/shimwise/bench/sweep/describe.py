"""Make a sweep's description, ``sweep.json``: what moved, from where and by what step; camera and lens."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from shimwise.bench.output_files import write_whole
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.sweep.moves import MOVED, Moves, positions_of
from shimwise.errors import RecordError
from shimwise.files.kit_file import read_kit
from shimwise.imaging.frames.errors import DescriptionError
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.source import DESCRIPTION, picture_names
from shimwise.record.names import name_key
from shimwise.record.record import Record


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
        If it has one already, or holds no pictures.
    InputError
        If a position cannot be.
    """
    if not folder.is_dir():
        raise DescriptionError(f"{folder.name} is no folder; a clip takes a CSV of positions.")
    if has_description(folder):
        raise DescriptionError(
            f"{folder.name} has a {DESCRIPTION} of its own. Leave out what moved, or move that file away."
        )
    names = picture_names(folder)
    if not names:
        raise DescriptionError("There are no pictures. Number the frames in their order.")
    positions, key = positions_of(moves, len(names)), MOVED[moves.moved]
    known = {name: value for name, value in asdict(recording).items() if value is not None}
    chart = {"chart": "chart.json"} if (folder / "chart.json").is_file() else {}
    frames = [{"file": name, key: place} for name, place in zip(names, positions, strict=True)]
    return {"frames": frames, **known, "swept": moves.moved, **chart}


def description_words(document: Mapping[str, Any]) -> list[str]:
    """Return the contents of a description, a line for the frames and one for camera and lens."""
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
    """Return the facts in a kit of a body and a lens; the only one of its kind where none is named.

    Raises
    ------
    KitError, RecordError
        If the file is none, or has no such unit.
    """
    kit = read_kit(path)
    return _optics(_chosen("body", body, kit.bodies), _chosen("lens", lens, kit.lenses))


def optics_of_prep(record: Record, prep_id: str, *, body: str, lens: str) -> Optics:
    """Return what the record knows of a prep's body and lens; as :func:`optics_of_kit`."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
    bodies, lenses = ({row.name: row for row in rows.values()} for rows in (material.bodies, material.lenses))
    return _optics(_chosen("body", body, bodies), _chosen("lens", lens, lenses))


def _optics(body: tuple[str, Any], lens: tuple[str, Any]) -> Optics:
    (body_name, of_body), (lens_name, of_lens) = body, lens
    focal_mm = of_lens.focal_lengths_mm
    return Optics(
        body=body_name,
        lens=lens_name,
        recording=Recording(
            focal_mm=focal_mm[0] if len(focal_mm) == 1 else None,  # a zoom's was set by hand
            fnumber=of_lens.fnumber,
            pitch_um=of_body.pixel_pitch_um,
        ),
        separation_mm=of_lens.separation_mm,
    )


def _chosen(kind: str, name: str, known: Mapping[str, Any]) -> tuple[str, Any]:
    if not name and len(known) == 1:
        return next(iter(known.items()))
    found = [(one, unit) for one, unit in known.items() if name_key(one) == name_key(name)]
    if found:
        return found[0]
    asked = f"--{kind} {name}: there is no such {kind}" if name else f"--{kind} is missing"
    raise RecordError(f"{asked}. Known are {', '.join(known) or 'none'}.")
