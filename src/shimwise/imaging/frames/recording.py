"""What is known of how a sweep was recorded: camera, lens and the meaning of its codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from shimwise.imaging.frames.errors import DescriptionError
from shimwise.imaging.frames.limits import MAX_SIDE_PX

RANGES = ("full", "limited")
CHANNELS = ("luma", "green")
BY_PICTURES = "pictures"
WAVELENGTHS_UM = 0.2, 2.0
LONGEST_TEXT, SHOWN_TEXT = 200, 60
"""Characters of a text, and of one in a message."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Camera, lens and codes of a sweep; None where not known.

    Attributes
    ----------
    width, height : int
        Size of a frame, px.
    pitch_um : float
        Pixel pitch, µm.
    fnumber : float
        Nominal focal ratio.
    focal_mm : float
        Focal length, mm.
    transfer : str
        Curve's name, see :func:`shimwise.imaging.frames.curves.signal_to_linear`.
    signal_range : {"full", "limited"}
        Whether black and white are the ends of the codes or those of video.
    bit_depth, left_shift : int
        Bits of a code that are used, and by how many places they are moved up in the file.
    black_level, white_level : float
        Codes of black and white as the file stores them.
    swept : str
        What was moved, in words.
    wavelength_um : tuple of float
        Wavelengths of the light, µm.
    channel : {"luma", "green"}
        Which channel of colour stills is measured; luma when not given.
    placed_by : {"pictures"}
        Where the positions were measured from the very pictures, as the live meter does: no step can slip.
    """

    width: int | None = None
    height: int | None = None
    pitch_um: float | None = None
    fnumber: float | None = None
    focal_mm: float | None = None
    transfer: str | None = None
    signal_range: str | None = None
    bit_depth: int | None = None
    left_shift: int | None = None
    black_level: float | None = None
    white_level: float | None = None
    swept: str | None = None
    wavelength_um: tuple[float, ...] | None = None
    channel: str | None = None
    placed_by: str | None = None

    def __post_init__(self) -> None:
        _check(self)

    @property
    def is_by_pictures(self) -> bool:
        """Whether the positions were measured from the very pictures: best focus is then 0 by definition."""
        return self.placed_by == BY_PICTURES

    def or_else(self, other: Recording) -> Recording:
        """Return this recording with its gaps filled from ``other``."""
        gaps = {f.name: getattr(other, f.name) for f in fields(self) if getattr(self, f.name) is None}
        return replace(self, **gaps)


LIMITS: dict[str, tuple[float, float]] = {
    "width": (1, MAX_SIDE_PX),
    "height": (1, MAX_SIDE_PX),
    "pitch_um": (0.1, 100.0),
    "fnumber": (0.3, 128.0),
    "focal_mm": (1.0, 5000.0),
    "bit_depth": (8, 16),
    "left_shift": (0, 15),
    "black_level": (-1e9, 1e9),
    "white_level": (-1e9, 1e9),
}
WHOLE = {"width", "height", "bit_depth", "left_shift"}


def recording_from_json(data: Mapping[str, Any]) -> Recording:
    """Read the recording from sweep.json; unknown names are left to others.

    Raises
    ------
    DescriptionError
        When a value is of the wrong kind or beyond what cameras and lenses have.
    """
    values: dict[str, Any] = {f.name: data.get(f.name) for f in fields(Recording)}
    values["signal_range"] = data.get("signal_range", data.get("range"))
    light = values["wavelength_um"]
    if light is not None:
        values["wavelength_um"] = tuple(light) if isinstance(light, list) else (light,)
    return Recording(**values)


def _check(recording: Recording) -> None:
    for name, (low, high) in LIMITS.items():
        value = getattr(recording, name)
        if value is not None:
            _check_number(name, value, low, high)
    for name in ("transfer", "swept", "signal_range", "channel", "placed_by"):
        text = getattr(recording, name)
        if text is not None and (not isinstance(text, str) or not text.strip() or len(text) > LONGEST_TEXT):
            raise DescriptionError(f"{name} is {_short(text)}; give a short text.")
    if recording.signal_range not in (None, *RANGES):
        raise DescriptionError(f"signal_range is {recording.signal_range!r}; give {' or '.join(RANGES)}.")
    if recording.channel not in (None, *CHANNELS):
        raise DescriptionError(f"channel is {recording.channel!r}; give {' or '.join(CHANNELS)}.")
    if recording.placed_by not in (None, BY_PICTURES):
        raise DescriptionError(f"placed_by is {recording.placed_by!r}; give {BY_PICTURES}, or leave it out.")
    for value in recording.wavelength_um or ():
        _check_number("wavelength_um", value, *WAVELENGTHS_UM)


def _check_number(name: str, value: object, low: float, high: float) -> None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not low <= value <= high:  # type: ignore[operator]
        raise DescriptionError(f"{name} is {_short(value)}; give a number from {low:g} to {high:g}.")
    if name in WHOLE and value != int(value):  # type: ignore[call-overload]
        raise DescriptionError(f"{name} is {_short(value)}; give a whole number.")


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= SHOWN_TEXT else text[: SHOWN_TEXT - 3] + "..."
