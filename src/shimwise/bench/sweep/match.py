"""Whether a sweep's frames can be those of the lens and the body chosen, and are new to the prep."""

import hashlib
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.sweep_evidence import focal_text, is_focal
from shimwise.bench.errors import InputError
from shimwise.bench.sweep.frame_files import place_kept
from shimwise.sheets.words.shared import titled

if TYPE_CHECKING:
    from shimwise.bench.prep.prep_data import PrepMaterial
    from shimwise.record.tables.rows import BodyRow, LensRow

PITCH_SHARE, SQUEEZE_SHARE = 0.01, 0.01
"""So far may the values of a sweep lie from the record's: they are rounded alone."""
MOST_BINNED = 4
"""Frames may be made of so many pixels of the sensor a side: their pitch is as many times the sensor's."""
SAME_SHARE = 0.5
"""From so many frames in common on, two sweeps are of the same frames."""
_WORDS = (".json", ".csv")


def refuse_other_units(stated: Mapping[str, Any], *, body: "BodyRow", lens: "LensRow") -> None:
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


def earlier_sweeps(material: "PrepMaterial", *, folder: Path) -> list[tuple[Path, str]]:
    """Return for each sweep of a prep that is not withdrawn the place of its frames, and its name for people.

    ``folder`` is the record's, in which frames are kept; those that lie elsewhere are not looked at.
    """
    found = []
    for row in material.sweeps:
        place = place_kept(folder, row.frames_place)
        if row.withdrawn_at is None and place is not None:
            setup = material.setups.get(row.setup_id or "")
            at = "" if setup is None else f" at {setup.distance_text}"
            lens, body = material.lenses[row.lens_id].name, material.bodies[row.body_id].name
            found.append((place, f"{lens} on {body}{at}, kept by {row.taken_by}"))
    return found


def refuse_same_frames(place: Path, earlier: Iterable[tuple[Path, str]]) -> None:
    """Refuse frames that are those of an earlier sweep: one sweep is one landing, of one lens.

    Parameters
    ----------
    place : Path
        Where the new frames lie.
    earlier : iterable of (Path, str)
        Of each earlier sweep where its frames lie and how a person knows it.

    Raises
    ------
    InputError
        Names the earlier sweep.
    """
    mine = dict(_frames(place))
    if not mine:
        return
    digests: Counter[str] | None = None
    for other, name in earlier:
        if other == place:
            continue
        alike = [file for file, size in _frames(other) if size in set(mine.values())]
        if len(alike) < SAME_SHARE * len(mine):
            continue
        digests = digests or Counter(_digest(file) for file in mine)
        same = digests & Counter(_digest(file) for file in alike)
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


def _frames(place: Path) -> Iterator[tuple[Path, int]]:
    """Return each file of frames with its size; none where there is no folder any more."""
    for file in sorted(place.rglob("*")):
        if file.suffix.casefold() not in _WORDS and file.is_file():
            yield file, file.stat().st_size


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
