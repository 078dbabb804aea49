"""How large a frame, a file and a sweep may be, checked before anything is decoded."""

from shimwise.imaging.frames.errors import FrameFileError

MAX_SIDE_PX = 16_384
"""Longest side of a frame, px: twice that of 8K."""
MAX_PIXELS = 2**27
"""Most pixels of a frame: four times 8K."""
MIN_SIDE_PX = 16
MAX_FILE_BYTES = 2**30
"""Largest file of a still, bytes: 8K in 32-bit floats with three colours is 0.4 GB."""
MAX_CLIP_BYTES = 2**40
MAX_TEXT_BYTES = 2**24
"""Largest sweep.json, chart.json or CSV of positions, bytes."""
MAX_FRAMES = 100_000


def check_size(width_px: int, height_px: int, *, file: str) -> None:
    """Refuse a frame whose header has a size that no camera records.

    Raises
    ------
    FrameFileError
        When a side or the area is beyond the limits above.
    """
    if min(width_px, height_px) < MIN_SIDE_PX:
        raise FrameFileError(file, f"its header has {width_px} × {height_px} px, too small for a frame")
    if max(width_px, height_px) > MAX_SIDE_PX or width_px * height_px > MAX_PIXELS:
        raise FrameFileError(
            file,
            f"its header has {width_px} × {height_px} px; at most {MAX_SIDE_PX} px a side "
            f"and {MAX_PIXELS // 10**6} million pixels are opened",
        )
