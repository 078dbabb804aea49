"""Files made to do harm: absurd sizes, damage anywhere, noise."""

import struct
import zlib
from collections.abc import Callable

import numpy as np
import pytest
from frame_files import dng, exr, jpeg, lzw_tiff, picture, png, tiff
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from property_cases import examples
from shimwise.imaging.frames.clips import clip_facts
from shimwise.imaging.frames.errors import FrameFileError
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.stills import read_still, still_size

LINEAR = Recording(transfer="linear")
REAL = {
    "png": png(picture()),
    "tiff": tiff(picture()),
    "deflate": tiff(picture(), compression="zlib"),
    "tiles": tiff(picture(), tile=(32, 32), compression="zlib"),
    "lzw": lzw_tiff(picture()),
    "jpeg": jpeg(picture(8)),
    "exr": exr({"Y": (picture() / 65535).astype(np.float32)}),
    "dng": dng(picture()),
}
FORMATS = st.sampled_from(list(REAL))


def png_of(width: int, height: int) -> bytes:
    """A PNG whose header is right and whose picture is not there."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 16, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")
    )


def jpeg_of(width: int, height: int) -> bytes:
    data = bytearray(REAL["jpeg"])
    at = data.find(b"\xff\xc0")
    struct.pack_into(">HH", data, at + 5, height, width)
    return bytes(data)


def tiff_of(width: int, height: int) -> bytes:
    """A TIFF whose directory says a size and points to a strip of ten bytes."""
    tags = [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 16), (259, 3, 1, 1), (262, 3, 1, 1)]
    tags += [(273, 4, 1, 8), (277, 3, 1, 1), (278, 4, 1, height), (279, 4, 1, 10)]
    body = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", *tag) for tag in tags) + bytes(4)
    return b"II*\0" + struct.pack("<I", 20) + bytes(12) + body


def exr_of(width: int, height: int) -> bytes:
    data = bytearray(REAL["exr"])
    for name in (b"dataWindow\0box2i\0", b"displayWindow\0box2i\0"):
        at = data.find(name) + len(name) + 4
        struct.pack_into("<4i", data, at, 0, 0, width - 1, height - 1)
    return bytes(data)


@pytest.mark.parametrize("made", [png_of, jpeg_of, tiff_of, exr_of])
@pytest.mark.parametrize("size", [(60_000, 60_000), (16_000, 16_000), (1, 1), (65_000, 20)])
def test_a_header_with_an_absurd_size_is_refused_before_anything_is_decoded(
    made: Callable[[int, int], bytes], size: tuple[int, int]
) -> None:
    with pytest.raises(FrameFileError, match=f"header has {size[0]} × {size[1]} px"):
        read_still(made(*size), LINEAR, file="bomb")


@pytest.mark.parametrize("made", [png_of, tiff_of, exr_of])
def test_a_hundred_thousand_pixels_a_side_are_refused(made: Callable[[int, int], bytes]) -> None:
    with pytest.raises(FrameFileError, match="header has 100000 × 100000 px"):
        read_still(made(100_000, 100_000), LINEAR, file="bomb")


@pytest.mark.slow
def test_a_picture_that_unpacks_to_more_than_its_header_says_stays_bounded() -> None:
    # 100 MB of zeros in a PNG of 96 × 64: the decoder takes what the header has, or refuses.
    data = bytearray(png_of(96, 64))
    body = zlib.compress(bytes(100 * 2**20))
    at = data.find(b"IDAT") - 4
    end = data.find(b"IEND") - 4
    chunk = struct.pack(">I", len(body)) + b"IDAT" + body + struct.pack(">I", zlib.crc32(b"IDAT" + body))
    bomb = bytes(data[:at]) + chunk + bytes(data[end:])
    try:
        assert read_still(bomb, LINEAR, file="bomb").pixels.shape == (64, 96)
    except FrameFileError as error:
        assert "damaged" in str(error)  # noqa: PT017 (either answer is right)


@pytest.mark.parametrize("name", list(REAL))
def test_a_file_cut_anywhere_is_refused(name: str) -> None:
    data = REAL[name]
    for share in np.linspace(0.001, 0.97, 40):
        with pytest.raises(FrameFileError):
            read_still(data[: int(share * len(data))], LINEAR, file="cut")


@settings(max_examples=examples(60), deadline=None)
@given(data=st.binary(max_size=4000), name=st.sampled_from(["", *REAL]))
def test_noise_is_refused_whatever_it_begins_with(data: bytes, name: str) -> None:
    head = REAL[name][: min(200, 8 + len(data) % 190)] if name else b""
    with pytest.raises(FrameFileError):
        read_still(head + data, LINEAR, file="noise")


@pytest.mark.slow
@settings(max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    name=FORMATS,
    hits=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(1, 255)), min_size=1, max_size=6),
    in_head=st.booleans(),
)
def test_damage_anywhere_is_refused_or_gives_a_picture_of_a_sane_size(
    name: str, hits: list[tuple[float, int]], in_head: bool
) -> None:
    data = bytearray(REAL[name])
    span = min(len(data), 600) if in_head else len(data)
    for share, mask in hits:
        data[int(share * span)] ^= mask
    try:
        size = still_size(bytes(data), file="hit")
        light = read_still(bytes(data), LINEAR, file="hit").pixels
    except FrameFileError:
        return
    assert light.dtype == np.float32
    assert light.ndim == 2
    assert max(size) <= 16_384


def test_every_flipped_bit_of_a_png_is_noticed() -> None:
    # A CRC of 32 bits finds every single error (W3C PNG, 3.4 and annex D).
    data = REAL["png"]
    for at in range(0, len(data), 37):
        damaged = data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]
        with pytest.raises(FrameFileError):
            read_still(damaged, LINEAR, file="hit")


@settings(max_examples=examples(25), deadline=None)
@given(
    head=st.sampled_from([b"\0\0\0\x18ftypmp42", b"\x1a\x45\xdf\xa3", b"RIFF\0\0\0\0AVI ", b""]),
    data=st.binary(max_size=3000),
)
def test_noise_is_no_clip(head: bytes, data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("noise") / "noise.mp4"
    path.write_bytes(head + data)
    with pytest.raises(FrameFileError):
        clip_facts(path)
