"""Reads one still into linear light: PNG, TIFF, JPEG, DNG, EXR."""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import Picture
from shimwise.imaging.frames.errors import DescriptionError, FrameFileError
from shimwise.imaging.frames.exr import read_exr
from shimwise.imaging.frames.headers import StillKind, exr_size, jpeg_size, kind_of, png_size
from shimwise.imaging.frames.levels import CodeLevels, codes_to_linear, limited_range
from shimwise.imaging.frames.limits import check_size
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.tiffs import read_plain_tiff, read_raw_green, tiff_directory

GREEN = 1
"""Place of green among blue, green, red (and alpha), and among red, green, blue alike."""
LUMA_RGB = (0.2126, 0.7152, 0.0722)
"""Shares of red, green and blue in luminance (ITU-R BT.709-6, item 3.2)."""


@dataclass(frozen=True, slots=True)
class Still:
    """A still in linear light.

    Attributes
    ----------
    pixels : ndarray
        The measured channel.
    levels : CodeLevels
        What its codes mean.
    warnings : tuple of str
        Remarks about its format.
    channel : {"luma", "green", "grey"}
        Which channel ``pixels`` is.
    second : ndarray, optional
        The other channel of a colour still: green beside luma, luma beside green.
    """

    pixels: Picture
    levels: CodeLevels
    warnings: tuple[str, ...] = ()
    channel: str = "grey"
    second: Picture | None = None


def still_size(data: bytes, *, file: str) -> tuple[int, int]:
    """Width and height from the header, px, after a check that the file is whole as far as can be checked.

    Raises
    ------
    FrameFileError
        When it is no picture that is read, is damaged or truncated, or its header has an absurd size.
    """
    kind = kind_of(data, file=file)
    if kind is StillKind.TIFF:
        directory = tiff_directory(data, file=file)
        size = directory.width_px, directory.height_px
    else:
        read_size = {StillKind.PNG: png_size, StillKind.JPEG: jpeg_size, StillKind.EXR: exr_size}[kind]
        size = read_size(data, file=file)
    check_size(*size, file=file)
    return size


def read_still(data: bytes, recording: Recording, *, file: str) -> Still:
    """Decode a still and make it linear.

    Parameters
    ----------
    data : bytes
        The whole file.
    recording : Recording
        Transfer, levels and bits as far as known; the file's own are used where present.
    file : str
        Its name, for messages.

    Returns
    -------
    Still
        Luma of a colour picture (or green, where the recording names it), a grey one as it is, the green
        sites of a mosaic with NaN between.

    Raises
    ------
    FrameFileError
        As :func:`still_size`; when decoding fails.
    DescriptionError
        When the transfer is not known or the levels make no sense.
    """
    still_size(data, file=file)
    kind = kind_of(data, file=file)
    if kind is StillKind.EXR:
        return _floats(read_exr(data, file=file), recording)
    if kind is StillKind.TIFF:
        directory = tiff_directory(data, file=file)
        if directory.is_dng:
            return _raw(data, recording, file)
        if directory.is_inverted:
            raise FrameFileError(file, "the TIFF stores white as 0; save it with black as 0")
        if directory.is_plain:
            return _stored(read_plain_tiff(data, file=file), recording, file, is_bgr=False)
        return _stored(_decode(data, file), recording, file)
    warnings: tuple[str, ...] = ()
    if kind is StillKind.JPEG:
        recording = replace(recording, transfer=recording.transfer or "sRGB")
        warnings = ("JPEG frames: lossy compression and 8 bits cost accuracy; record TIFF, PNG, DNG or EXR.",)
    return replace(_stored(_decode(data, file), recording, file), warnings=warnings)


def _decode(data: bytes, file: str) -> NDArray[np.generic]:
    before = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise FrameFileError(file, "it cannot be decoded; the file is damaged") from error
    finally:
        cv2.utils.logging.setLogLevel(before)
    if pixels is None:
        raise FrameFileError(file, "it cannot be decoded; the file is damaged or of an unusual kind")
    return pixels


def _stored(pixels: NDArray[np.generic], recording: Recording, file: str, *, is_bgr: bool = True) -> Still:
    """Make stored codes or floats linear, and take the channel that is measured."""
    planes = _colours_or_grey(pixels, file)
    if planes.dtype.kind == "f":
        still = _floats(planes, recording)
    elif planes.dtype not in (np.uint8, np.uint16):
        raise FrameFileError(
            file, f"its pixels are {planes.dtype}; 8 or 16 bits without sign, or floats, are read"
        )
    else:
        levels = still_levels(recording, stored_bits=8 * planes.dtype.itemsize)
        still = Still(codes_to_linear(planes, levels), levels)
    return still if planes.ndim == 2 else _of_colours(still, recording, is_bgr=is_bgr)


def _of_colours(still: Still, recording: Recording, *, is_bgr: bool) -> Still:
    """Take luma and green of linear colours; where a colour is clipped at white, so is luma."""
    green = np.ascontiguousarray(still.pixels[:, :, GREEN])
    shares = np.array([LUMA_RGB[::-1] if is_bgr else LUMA_RGB], dtype=np.float32)
    luma: Picture = np.asarray(cv2.transform(still.pixels, shares), dtype=np.float32).reshape(green.shape)
    white = still.levels.white_linear
    if np.isfinite(white):
        clipped = np.max(still.pixels, axis=2) >= white
        luma[clipped] = np.maximum(luma[clipped], np.float32(white))
    if recording.channel == "green":
        return replace(still, pixels=green, channel="green", second=luma)
    return replace(still, pixels=luma, channel="luma", second=green)


def still_levels(
    recording: Recording, *, stored_bits: int, black: float = 0.0, white: float | None = None
) -> CodeLevels:
    """Levels of whole-number stills: as given, else the file's, else from the bits.

    Raises
    ------
    DescriptionError
        When the transfer is not known, or the bits do not fit into the file's.
    """
    if recording.transfer is None:
        raise DescriptionError(
            "The frames do not say their transfer; give it, such as linear, gamma 2.2, sRGB, "
            "Rec.709 or a log curve's name."
        )
    bits, shift = recording.bit_depth or stored_bits, recording.left_shift or 0
    if bits + shift > stored_bits:
        raise DescriptionError(
            f"bit_depth {bits} with left_shift {shift} does not fit into the {stored_bits} bits of the files."
        )
    step = 2.0**shift
    top = (2.0**bits - 1) * step
    if recording.signal_range == "limited":
        low, high = (step * code for code in limited_range(bits))
    else:
        low, high = black, white if white is not None else top
    return CodeLevels(
        black=recording.black_level if recording.black_level is not None else low,
        white=recording.white_level if recording.white_level is not None else high,
        transfer=recording.transfer,
        bits=bits,
        is_limited=recording.signal_range == "limited",
    )


def _floats(plane: NDArray[np.generic], recording: Recording) -> Still:
    levels = CodeLevels(
        black=recording.black_level if recording.black_level is not None else 0.0,
        white=recording.white_level if recording.white_level is not None else 1.0,
        transfer=recording.transfer or "linear",
        bits=recording.bit_depth or 16,
        has_ends=recording.white_level is not None,
    )
    return Still(codes_to_linear(plane, levels), levels)


def _raw(data: bytes, recording: Recording, file: str) -> Still:
    """Green sites of a mosaic; what lies between is NaN."""
    raw = read_raw_green(data, file=file)
    linear = replace(recording, transfer="linear", signal_range=None, bit_depth=None, left_shift=None)
    levels = still_levels(linear, stored_bits=16, black=raw.black, white=raw.white)
    pixels = codes_to_linear(raw.codes, levels)
    if raw.is_green is not None:
        down, across = raw.is_green.shape
        for row, column in zip(*np.nonzero(~raw.is_green), strict=True):
            pixels[row::down, column::across] = np.nan
    return Still(pixels, levels, channel="grey" if raw.is_green is None else "green")


def _colours_or_grey(pixels: NDArray[np.generic], file: str) -> NDArray[np.generic]:
    """Return (rows, columns) of a grey picture, (rows, columns, 3) of one in colours."""
    if pixels.ndim == 2:
        return pixels
    if pixels.ndim == 3 and pixels.shape[2] in (3, 4):
        return np.ascontiguousarray(pixels[:, :, :3])
    if pixels.ndim == 3 and pixels.shape[2] in (1, 2):
        return pixels[:, :, 0]
    raise FrameFileError(
        file, f"its pixels have the shape {pixels.shape}; one picture, grey or in three colours, is read"
    )
