"""What a technician brings to the bench: readings and a kit from their files, joined to one prep."""

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from shimwise.errors import InferenceError
from shimwise.files.errors import ReadingsFileError
from shimwise.files.kit import Kit
from shimwise.files.kit_file import read_kit
from shimwise.files.limits import WRITTEN_SD_UM
from shimwise.files.opening import LARGEST_BYTES as LARGEST_BYTES
from shimwise.files.readings import parse_readings, read_readings
from shimwise.inference.model.prep import DEFAULT_TOLERANCE_UM, MeasuredLanding, Prep, Reading
from shimwise.notices import Notice

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how far it is and how far it goes; 0 of 0 where that is not known.

What it raises ends the work.
"""
STANDARD_INPUT = "standard input"
READING_FILE, JUDGING, PLANNING = "Reading the file", "Judging", "Planning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """A prep, the kit it came with (empty without one), and notices of the files."""

    prep: Prep
    kit: Kit
    notices: tuple[Notice, ...]


def progress_of(progress: Progress | None, what: str) -> Callable[[int, int], None] | None:
    """Return what one part of the work calls with how far it is; None where nobody asks."""
    return None if progress is None else partial(progress, what)


def read_inputs(
    readings: str | Path | bytes | None,
    *,
    kit_path: str | Path | None = None,
    tolerance_um: float | None = None,
    unit: str | None = None,
    progress: Progress | None = None,
) -> Inputs:
    """Read the files of a prep.

    Parameters
    ----------
    readings : path, bytes or None
        The readings file, or the content of one that came without a name; None: no reading yet.
    kit_path : path, optional
        The kit file.
    tolerance_um : float, optional
        ± of every unit [µm]; it goes before the kit's, also before that of a single body. Without it, and
        without one in the kit, 10 µm.
    unit : str, optional
        Unit of bare numbers in the readings file: mm, cm, m, in or ft.
    progress : callable, optional
        Called from time to time.

    Raises
    ------
    RecordError
        If a file is refused: with the place that is wrong.
    InferenceError
        If the tolerance is impossible.
    """
    if tolerance_um is not None and not WRITTEN_SD_UM.hold(tolerance_um):
        raise InferenceError(
            f"A tolerance of {tolerance_um:g} µm is none. Give one {WRITTEN_SD_UM.text}, such as 10."
        )
    kit = Kit() if kit_path is None else read_kit(kit_path)
    taken, landings, notices = _read(readings, kit, unit, progress)
    bodies = kit.body_knowledge()
    if tolerance_um is not None:
        bodies = {name: replace(body, tolerance_um=None) for name, body in bodies.items()}
    prep = Prep(
        readings=taken,
        landings=landings,
        bodies=bodies,
        lenses=kit.lens_knowledge(),
        tolerance_um=tolerance_um or kit.tolerance_um or DEFAULT_TOLERANCE_UM,
    )
    return Inputs(prep=prep, kit=kit, notices=notices)


def _read(
    readings: str | Path | bytes | None, kit: Kit, unit: str | None, progress: Progress | None
) -> tuple[tuple[Reading, ...], tuple[MeasuredLanding, ...], tuple[Notice, ...]]:
    if readings is None:
        return (), (), ()
    report = progress_of(progress, READING_FILE)
    if isinstance(readings, bytes):
        content = _small_enough(readings)
        file = parse_readings(content, name=STANDARD_INPUT, kit=kit, unit=unit, progress=report)
    else:
        file = read_readings(readings, kit=kit, unit=unit, progress=report)
    return file.readings, file.landings, file.notices


def _small_enough(content: bytes) -> bytes:
    if len(content) > LARGEST_BYTES:
        raise ReadingsFileError(
            f"brings more than {LARGEST_BYTES // 2**20} MiB; that is no readings file. Check what is sent.",
            name=STANDARD_INPUT,
        )
    return content


def lens_texts(prep: Prep) -> Mapping[str, str]:
    """Return for each lens, by name, its focal lengths and its widest stop: ``18 mm f/2``."""
    focal_mm: dict[str, set[float]] = {}
    fnumbers: dict[str, set[float]] = {}
    for one in prep.evidence:
        focal_mm.setdefault(one.lens, set()).add(one.focal_mm)
        fnumbers.setdefault(one.lens, set()).add(one.fnumber)
    for name, lens in prep.lenses.items():
        focal_mm.setdefault(name, set()).update(lens.focal_lengths_mm)
        fnumbers.setdefault(name, set()).add(math.inf if lens.fnumber is None else lens.fnumber)
    return {lens: optics_text(focal, min(fnumbers[lens])) for lens, focal in focal_mm.items()}


def optics_text(focal_lengths_mm: Collection[float], fnumber: float | None) -> str:
    """Return a focal length, or those at the ends, and a stop in words: ``24–80 mm f/2.8``."""
    ends = sorted({min(focal_lengths_mm), max(focal_lengths_mm)}) if focal_lengths_mm else []
    parts = ["–".join(f"{end:g}" for end in ends) + " mm"] if ends else []
    if fnumber is not None and math.isfinite(fnumber):
        parts.append(f"f/{fnumber:g}")
    return " ".join(parts)
