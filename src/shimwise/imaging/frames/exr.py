"""Reads OpenEXR pictures: linear light already."""

import io

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.frames.errors import FrameFileError

WANTED = ("Y", "G", "g", "green")
"""Channels that can be measured, the best first."""


def read_exr(data: bytes, *, file: str) -> NDArray[np.float32]:
    """Luminance or green channel of the first part.

    Raises
    ------
    FrameFileError
        When the file is damaged or has no such channel.
    """
    import OpenEXR  # type: ignore[import-not-found]  # a large library that only EXR needs

    try:
        channels = OpenEXR.File(io.BytesIO(data), separate_channels=True).channels()
    except Exception as error:  # the library raises bare RuntimeError and worse on damaged files
        raise FrameFileError(file, "the EXR is damaged or ends early; copy the file again") from error
    for name in WANTED:
        if name in channels:
            return np.asarray(channels[name].pixels, dtype=np.float32)
    raise FrameFileError(
        file, f"the EXR has the channels {', '.join(sorted(channels)) or 'none'}; Y or G is needed"
    )
