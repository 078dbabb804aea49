"""Keep the frames of a feed as a sweep: those that lie best along the passes, with the places they showed."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.frames.levels import CodeLevels
from shimwise.imaging.frames.recording import BY_PICTURES

MOST_FRAMES = 3000
"""Frames that are kept until the end: two minutes at 25 a second."""
MOST_PLACES, LEAST_PLACES = 60, 7
"""Frames that stay at the end, spread evenly over the places, and the least that a sweep needs."""
FAST_PNG = 1


class FrameKeeper:
    """Writes frames into a folder as they come, and leaves a sweep there at the end.

    Parameters
    ----------
    folder : Path
        A folder that is not there yet, or is empty.

    Raises
    ------
    ImagingError
        If something is in it, or it cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            if any(folder.iterdir()):
                raise ImagingError(f"{folder} is not empty. Name a new folder for the frames.")
        except OSError as error:
            raise ImagingError(f"{folder} cannot be made or read: {error.strerror}.") from error
        self.folder = folder
        self._at: dict[float, Path] = {}

    def add(self, t_s: float, luma: NDArray[Any]) -> None:
        """Keep a frame; beyond the most that are kept the later ones are not."""
        if len(self._at) >= MOST_FRAMES:
            return
        import cv2

        path = self.folder / f"{len(self._at) + 1:04d}.png"
        if not cv2.imwrite(str(path), luma, [cv2.IMWRITE_PNG_COMPRESSION, FAST_PNG]):
            raise ImagingError(f"{path} cannot be written. Is the disk full?")
        self._at[t_s] = path

    def finish(
        self,
        t_s: NDArray[np.float64],
        place_um: NDArray[np.float64],
        *,
        chart: Path,
        levels: CodeLevels,
        pitch_um: float,
        fnumber: float | None,
        focal_mm: float | None = None,
    ) -> int:
        """Leave the frames that lie nearest to even places, with ``sweep.json``; return how many.

        Without a pass through focus there are no places: then all frames stay, and no ``sweep.json``.
        """
        known = {t: um for t, um in zip(t_s, place_um, strict=True) if t in self._at}
        if len(known) < LEAST_PLACES:
            return len(self._at)
        places = np.array(list(known.values()))
        wanted = np.linspace(places.min(), places.max(), MOST_PLACES)
        times = np.array(list(known))
        chosen = sorted(
            {int(np.argmin(np.abs(places - um))) for um in wanted}, key=lambda k: float(places[k])
        )
        kept = {self._at[float(times[k])]: float(places[k]) for k in chosen}
        for path in self._at.values():
            if path not in kept:
                path.unlink()
        shutil.copyfile(chart, self.folder / "chart.json")
        document: dict[str, Any] = {
            "note": "positions_um were measured by the meter from these pictures: their middle is best focus",
            "swept": "sensor",
            "placed_by": BY_PICTURES,
            "frames": [{"file": path.name, "position_um": round(um, 3)} for path, um in kept.items()],
            "pitch_um": pitch_um,
            "transfer": levels.transfer,
            "bit_depth": levels.bits,
            "black_level": levels.black,
            "white_level": levels.white,
            "chart": "chart.json",
        }
        lens = {"fnumber": fnumber, "focal_mm": focal_mm}
        document |= {name: value for name, value in lens.items() if value is not None}
        text = json.dumps(document, indent=1, ensure_ascii=False)
        (self.folder / "sweep.json").write_text(text + "\n", encoding="utf-8")
        return len(kept)
