"""Detects a still's format and size from its first bytes, before a decoder sees it.

References
----------
.. [1] W3C, *Portable Network Graphics (PNG) Specification*, 2nd ed.: chunks, CRC, IHDR.
.. [2] ITU-T T.81 (JPEG), annex B: markers, frame header.
.. [3] *OpenEXR File Layout*: magic number, attributes, dataWindow.
"""

import struct
import zlib
from collections.abc import Iterator
from enum import StrEnum

from shimwise.imaging.frames.errors import FrameFileError

PNG_MAGIC = b"\x89PNG\r\n\x1a\n"
EXR_MAGIC = b"\x76\x2f\x31\x01"
TIFF_MAGICS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
START_OF_FRAME = {0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC6, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF}
ALONE = {0x01, *range(0xD0, 0xD8)}
END_OF_IMAGE, START_OF_SCAN = 0xD9, 0xDA


class StillKind(StrEnum):
    """Formats of stills that are read. A DNG is a TIFF by its first bytes."""

    PNG = "PNG"
    JPEG = "JPEG"
    TIFF = "TIFF"
    EXR = "EXR"


def kind_of(data: bytes, *, file: str) -> StillKind:
    """Return the format by the content, never by the name.

    Raises
    ------
    FrameFileError
        When it is none of PNG, JPEG, TIFF, DNG or EXR.
    """
    if data.startswith(PNG_MAGIC):
        return StillKind.PNG
    if data.startswith(b"\xff\xd8\xff"):
        return StillKind.JPEG
    if data.startswith(TIFF_MAGICS):
        return StillKind.TIFF
    if data.startswith(EXR_MAGIC):
        return StillKind.EXR
    raise FrameFileError(file, "it is no PNG, TIFF, JPEG, DNG or EXR picture, or its beginning is damaged")


def png_size(data: bytes, *, file: str) -> tuple[int, int]:
    """Width and height of a PNG, px, after a check that every chunk is whole and its CRC right.

    Raises
    ------
    FrameFileError
        When a chunk is damaged or the file ends early.
    """
    size: tuple[int, int] | None = None
    for kind, body in _png_chunks(data, file):
        if kind == b"IHDR" and len(body) == 13:
            size = struct.unpack(">II", body[:8])
        if size is None:
            break
    if size is None:
        raise FrameFileError(file, "the PNG has no header; the file is damaged")
    return size


def _png_chunks(data: bytes, file: str) -> Iterator[tuple[bytes, memoryview]]:
    view, at = memoryview(data), len(PNG_MAGIC)
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            break
        if zlib.crc32(view[at + 4 : end - 4]) != struct.unpack_from(">I", data, end - 4)[0]:
            raise FrameFileError(file, f"the PNG is damaged near byte {at}; copy the file again")
        yield kind, view[at + 8 : end - 4]
        if kind == b"IEND":
            return
        at = end
    raise FrameFileError(file, f"the PNG ends early, after {len(data)} bytes; copy the file again")


def jpeg_size(data: bytes, *, file: str) -> tuple[int, int]:
    """Width and height of a JPEG, px, after a check that its end is there.

    Raises
    ------
    FrameFileError
        When the segments make no sense or the file ends early.
    """
    size: tuple[int, int] | None = None
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF or marker in ALONE:
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker in START_OF_FRAME and at + 9 <= len(data):
            height, width = struct.unpack_from(">HH", data, at + 5)
            size = width, height
        at += 2 + length
        if marker == START_OF_SCAN:
            break
    if size is None:
        raise FrameFileError(file, "the JPEG has no frame header; the file is damaged")
    if data.find(bytes((0xFF, END_OF_IMAGE)), at) < 0:
        raise FrameFileError(file, f"the JPEG ends early, after {len(data)} bytes; copy the file again")
    return size


def exr_size(data: bytes, *, file: str) -> tuple[int, int]:
    """Width and height of an EXR's data window, px.

    Raises
    ------
    FrameFileError
        When the header has no data window or ends early.
    """
    at = 8
    while at < len(data) and data[at] != 0:
        name, at = _word(data, at, file)
        kind, at = _word(data, at, file)
        if at + 4 > len(data):
            break
        (length,) = struct.unpack_from("<i", data, at)
        if name == b"dataWindow" and kind == b"box2i" and length == 16 and at + 20 <= len(data):
            left, top, right, bottom = struct.unpack_from("<4i", data, at + 4)
            return right - left + 1, bottom - top + 1
        if length < 0:
            break
        at += 4 + length
    raise FrameFileError(file, "the EXR's header is damaged or ends early; copy the file again")


def _word(data: bytes, at: int, file: str) -> tuple[bytes, int]:
    end = data.find(b"\0", at, at + 256)
    if end < 0:
        raise FrameFileError(file, "the EXR's header is damaged or ends early; copy the file again")
    return data[at:end], end + 1
