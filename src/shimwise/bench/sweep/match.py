"""Whether a sweep's frames can be those of the lens and the body chosen, and are new to the prep."""

import hashlib
import sys
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath
from typing import Any

from shimwise.bench.desk.sweep_evidence import focal_text, is_focal
from shimwise.bench.errors import InputError
from shimwise.bench.prep.prep_data import PrepMaterial
from shimwise.bench.sweep.frame_files import STORED, place_kept
from shimwise.record.record import Record
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.sheets.words.shared import titled

PITCH_SHARE, SQUEEZE_SHARE = 0.01, 0.01
"""So far may the values of a sweep lie from the record's: they are rounded alone."""
MOST_BINNED = 4
"""Frames may be made of so many pixels of the sensor a side: their pitch is as many times the sensor's."""
SAME_SHARE = 0.5
"""From so many frames in common on, two sweeps are of the same frames."""
_WORDS = (".json", ".csv")


def refuse_other_units(stated: Mapping[str, Any], *, body: BodyRow, lens: LensRow) -> None:
    """Refuse a sweep with another focal length, squeeze or pixel pitch than the record's units have.

    Parameters
    ----------
    stated : mapping
        ``focal_mm``, ``squeeze`` and ``pitch_um`` as far as they are stated; what is no number is ignored.
    body, lens : BodyRow, LensRow
        What a person chose.

    Raises
    ------
    InputError
        Names both values and what to do.
    """
    focal_mm, squeeze, pitch_um = (_number(stated.get(key)) for key in ("focal_mm", "squeeze", "pitch_um"))
    squeezed = lens.squeeze or 1.0
    if focal_mm is not None and not is_focal(focal_mm, lens.focal_lengths_mm, squeeze=squeezed):
        raise InputError(
            f"The sweep has a focal length of {focal_mm:g} mm, {titled('lens', lens.name)} has "
            f"{focal_text(lens.focal_lengths_mm)}. Choose the lens that was swept, or correct the length: "
            "in sweep.json, or that of the lens in the house.",
            field="lens_id",
        )
    if squeeze is not None and not _is_near(squeeze, lens.squeeze or 1.0, SQUEEZE_SHARE):
        raise InputError(
            f"The sweep has a squeeze of {squeeze:g}, {titled('lens', lens.name)} has "
            f"{lens.squeeze or 1:g}. Choose the lens that was swept, or correct the squeeze: in sweep.json, "
            "or that of the lens in the house.",
            field="lens_id",
        )
    known_um = body.pixel_pitch_um
    if pitch_um is not None and known_um is not None and not _is_pitch(pitch_um, known_um):
        raise InputError(
            f"The sweep has a pixel pitch of {pitch_um:g} µm, {titled('body', body.name)} has "
            f"{known_um:g} µm. Choose a set-up of the body that was swept, or correct the pixel pitch: in "
            "sweep.json, or that of the body in the house.",
            field="body_id",
        )


@dataclass(frozen=True, slots=True)
class _Frame:
    """A file of frames: its size [bytes], and its digest, known or of the file."""

    size: int
    known: str = ""
    file: Path | None = None

    @property
    def digest(self) -> str:
        """Its SHA-256."""
        if self.file is None:
            return self.known
        with self.file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


Frames = tuple[_Frame, ...]


def earlier_sweeps(record: Record, material: PrepMaterial) -> list[tuple[Frames, str]]:
    """Return for each sweep of a prep that is not withdrawn its frames, and its name for people.

    Frames that this machine cannot read are not looked at.
    """
    found = []
    for row in material.sweeps:
        if row.withdrawn_at is None and row.frames_place:
            setup = material.setups.get(row.setup_id or "")
            at = "" if setup is None else f" at {setup.distance_text}"
            lens, body = material.lenses[row.lens_id].name, material.bodies[row.body_id].name
            found.append(
                (frames_of(record, row.frames_place), f"{lens} on {body}{at}, kept by {row.taken_by}")
            )
    return found


def frames_of(record: Record, kept: str) -> Frames:
    """Return the frames at a place as the record keeps it; none where this machine cannot read them."""
    if not kept.startswith(STORED):
        place = place_kept(record.folder, kept)
        return () if place is None else _frames(place)
    if record.storage is None:
        return ()
    files = record.storage.files(kept.removeprefix(STORED)).items()
    return tuple(_Frame(one.size, known=one.digest) for name, one in files if _is_frame(PurePosixPath(name)))


def refuse_same_frames(place: Path, earlier: Iterable[tuple[Path | Frames, str]]) -> None:
    """Refuse frames that are those of an earlier sweep: one sweep is one landing, of one lens.

    Parameters
    ----------
    place : Path
        Where the new frames lie.
    earlier : iterable of (Path or frames, str)
        Of each earlier sweep its frames, or where they lie, and how a person knows it.

    Raises
    ------
    InputError
        Names the earlier sweep.
    """
    mine = _frames(place)
    if not mine:
        return
    sizes, digests = {frame.size for frame in mine}, Counter[str]()
    for other, name in earlier:
        if other == place:
            continue
        frames = _frames(other) if isinstance(other, Path) else other
        alike = [frame for frame in frames if frame.size in sizes]
        if len(alike) < SAME_SHARE * len(mine):
            continue
        digests = digests or Counter(frame.digest for frame in mine)
        same = digests & Counter(frame.digest for frame in alike)
        if same.total() >= SAME_SHARE * len(mine):
            raise InputError(
                f"Of {len(mine)} frames {same.total()} are those of the sweep of {name}. Send the frames of "
                "another sweep; if that one was sent for the wrong lens or set-up, withdraw it first.",
                field="files",
            )


def _is_pitch(pitch_um: float, known_um: float) -> bool:
    return any(_is_near(pitch_um, times * known_um, PITCH_SHARE) for times in range(1, MOST_BINNED + 1))


def _is_near(value: float, known: float, share: float) -> bool:
    return abs(value - known) <= share * known


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
        return None
    return float(value)


def _frames(place: Path) -> Frames:
    """Return the files of frames in a folder; none where there is no folder any more."""
    files = (file for file in sorted(place.rglob("*")) if _is_frame(file) and file.is_file())
    return tuple(_Frame(file.stat().st_size, file=file) for file in files)


def _is_frame(path: PurePath) -> bool:
    return path.suffix.casefold() not in _WORDS
