"""Reads the frames of a sweep into linear light: stills, raw files and clips, as far as they are whole."""

from shimwise.imaging.frames.errors import DescriptionError, FrameFileError, TooFewFramesError
from shimwise.imaging.frames.levels import Levels
from shimwise.imaging.frames.listing import Coordinate
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.source import MIN_FRAMES, Frame, FrameSource, Skipped, open_sweep
from shimwise.imaging.frames.stills import Still, read_still, still_size

__all__ = [
    "MIN_FRAMES",
    "Coordinate",
    "DescriptionError",
    "Frame",
    "FrameFileError",
    "FrameSource",
    "Levels",
    "Recording",
    "Skipped",
    "Still",
    "TooFewFramesError",
    "open_sweep",
    "read_still",
    "still_size",
]
