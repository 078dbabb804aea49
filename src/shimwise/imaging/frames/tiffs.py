"""Reads TIFF and DNG: the directory first, then the pixels by a library made for each.

References
----------
.. [1] Adobe, *TIFF*, revision 6.0 (1992).
.. [2] Adobe, *Digital Negative (DNG) Specification*, 1.4: DNGVersion, CFAPattern, BlackLevel, WhiteLevel.
"""

import io
import logging
from dataclasses import dataclass

import numpy as np
import tifffile
from numpy.typing import NDArray

from shimwise.imaging.frames.errors import FrameFileError
from shimwise.imaging.frames.limits import check_size

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # our own messages report what it finds

DNG_VERSION = 50706
UNCOMPRESSED = 1
MAX_DIRECTORIES = 32


@dataclass(frozen=True, slots=True)
class Directory:
    """A picture's entry in a TIFF directory.

    ``is_plain`` is True when the pixels are uncompressed in the file; ``is_dng`` when it is a raw file.
    """

    width_px: int
    height_px: int
    bits: int
    is_plain: bool
    is_dng: bool
    is_inverted: bool


def tiff_directory(data: bytes, *, file: str) -> Directory:
    """Read the directory of a TIFF or DNG, and check that the pixels it points to are in the file.

    Raises
    ------
    FrameFileError
        When the directory is damaged, the size absurd, or pixels lie beyond the file's end.
    """
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            return _directory(tiff, len(data), file)
    except FrameFileError:
        raise
    except Exception as error:  # a hostile directory can make the parser raise anything
        raise FrameFileError(
            file, "the TIFF's directory is damaged or ends early; copy the file again"
        ) from error


def _directory(tiff: tifffile.TiffFile, length: int, file: str) -> Directory:
    first = tiff.pages[0]
    if not isinstance(first, tifffile.TiffPage):
        raise FrameFileError(file, "the TIFF has no picture")
    is_dng = DNG_VERSION in first.tags
    pages = [first]
    if is_dng and first.subifds:
        if len(first.subifds) > MAX_DIRECTORIES:
            raise FrameFileError(
                file, f"the DNG has {len(first.subifds)} directories; {MAX_DIRECTORIES} are read"
            )
        pages += [page for page in first.pages or () if isinstance(page, tifffile.TiffPage)]
    for page in pages:
        _check_page(page, length, file)
    page = max(pages, key=lambda p: int(p.imagewidth) * int(p.imagelength))
    bits = page.bitspersample
    return Directory(
        width_px=int(page.imagewidth),
        height_px=int(page.imagelength),
        bits=int(bits if isinstance(bits, int) else max(bits)),
        is_plain=page.compression == UNCOMPRESSED,
        is_dng=is_dng,
        is_inverted=page.photometric == tifffile.PHOTOMETRIC.MINISWHITE,
    )


def _check_page(page: tifffile.TiffPage, length: int, file: str) -> None:
    check_size(int(page.imagewidth), int(page.imagelength), file=file)
    ends = (at + count for at, count in zip(page.dataoffsets, page.databytecounts, strict=True))
    if not page.dataoffsets or max(ends) > length:
        raise FrameFileError(file, f"the TIFF ends early, after {length} bytes; copy the file again")
    if page.compression == UNCOMPRESSED and sum(page.databytecounts) < _plain_bytes(page):
        raise FrameFileError(
            file, "the TIFF holds fewer pixels than its header promises; copy the file again"
        )


def _plain_bytes(page: tifffile.TiffPage) -> int:
    bits = page.bitspersample
    deepest = bits if isinstance(bits, int) else min(bits)
    return int(page.imagewidth) * int(page.imagelength) * int(page.samplesperpixel) * int(deepest) // 8


def read_plain_tiff(data: bytes, *, file: str) -> NDArray[np.generic]:
    """Pixels of an uncompressed TIFF: (rows, columns) or (rows, columns, colours).

    Raises
    ------
    FrameFileError
        When they cannot be unpacked.
    """
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages[0]
            pixels = np.asarray(page.asarray(maxworkers=1))
            is_separate = (
                isinstance(page, tifffile.TiffPage) and page.planarconfig == tifffile.PLANARCONFIG.SEPARATE
            )
    except Exception as error:  # a hostile directory can make the parser raise anything
        raise FrameFileError(file, "the TIFF's pixels cannot be unpacked; the file is damaged") from error
    return np.moveaxis(pixels, 0, -1) if is_separate and pixels.ndim == 3 else pixels


@dataclass(frozen=True, slots=True)
class RawGreen:
    """Codes of a raw file's mosaic, where its green sites are, and the levels its maker wrote."""

    codes: NDArray[np.uint16]
    is_green: NDArray[np.bool_] | None
    black: float
    white: float


def read_raw_green(data: bytes, *, file: str) -> RawGreen:
    """Read a DNG's mosaic as it is, without demosaicing.

    Returns
    -------
    RawGreen
        ``is_green`` is one period of the mosaic, True at green sites; None for a sensor without colours.

    Raises
    ------
    FrameFileError
        When the raw data are damaged, or the file holds a finished picture and no mosaic.
    """
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            has_mosaic = raw.raw_type == rawpy.RawType.Flat
            codes = raw.raw_image_visible.copy() if has_mosaic else np.zeros((0, 0), np.uint16)
            sites = raw.raw_colors_visible[:16, :16] if has_mosaic else codes
            names = raw.color_desc.decode("ascii", "replace")
            blacks, white = list(raw.black_level_per_channel), float(raw.white_level)
    except (rawpy.LibRawError, ValueError, OSError, MemoryError) as error:
        raise FrameFileError(
            file, f"the raw file cannot be read ({_words(error)}); copy the file again"
        ) from error
    if not has_mosaic:
        raise FrameFileError(file, "the DNG holds a finished picture; record raw with its mosaic, or TIFF")
    greens = [number for number, name in enumerate(names) if name == "G" and (sites == number).any()]
    if not greens:
        return RawGreen(codes=codes, is_green=None, black=float(blacks[0]), white=white)
    black = float(np.mean([blacks[number] for number in greens]))
    return RawGreen(codes=codes, is_green=np.isin(sites, greens), black=black, white=white)


def _words(error: Exception) -> str:
    first = error.args[0] if error.args else error
    return first.decode("ascii", "replace") if isinstance(first, bytes) else str(first)
