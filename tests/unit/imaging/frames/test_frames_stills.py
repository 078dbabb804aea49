"""Each format of stills, written by a real encoder, read back to the codes that went in."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import tifffile
from frame_files import dng, exr, jpeg, lzw_tiff, picture, png, tiff

from shimwise.imaging.frames.errors import DescriptionError, FrameFileError
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.stills import read_still, still_size

Encode = Callable[[np.ndarray[Any, Any]], bytes]
LINEAR = Recording(transfer="linear")


def linear(data: bytes, recording: Recording = LINEAR) -> np.ndarray[Any, Any]:
    return read_still(data, recording, file="frame").pixels


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(
    "encode",
    [
        png,
        tiff,
        lzw_tiff,
        lambda codes: tiff(codes, compression="zlib"),
        lambda codes: tiff(codes, compression="zlib", predictor=2),
        lambda codes: tiff(codes, byteorder=">"),
        lambda codes: tiff(codes, bigtiff=True),
        lambda codes: tiff(codes, rowsperstrip=5),
        lambda codes: tiff(codes, tile=(32, 32)),
    ],
    ids=["png", "tiff", "lzw", "deflate", "predictor", "big-endian", "bigtiff", "strips", "tiles"],
)
def test_grey_codes_come_back_exactly(encode: Encode, bits: int) -> None:
    codes = picture(bits)
    pixels = linear(encode(codes))
    assert pixels.dtype == np.float32
    assert np.array_equal(np.round(pixels * (2**bits - 1)), codes)


@pytest.mark.parametrize("bits", [8, 16])
def test_of_colours_luma_is_taken_or_green_and_the_other_kept(bits: int) -> None:
    most = 2**bits - 2  # none is clipped
    blue, green, red = (np.minimum(picture(bits, seed=seed), most) for seed in range(3))
    bgr, rgb = np.stack([blue, green, red], axis=2), np.stack([red, green, blue], axis=2)
    rgba = np.concatenate([rgb, np.full_like(rgb[:, :, :1], 2**bits - 1)], axis=2)
    files = [
        png(bgr),
        lzw_tiff(bgr),
        tiff(rgb, photometric="rgb"),
        tiff(rgb, photometric="rgb", compression="zlib"),
        tiff(rgba, photometric="rgb", extrasamples=["unassalpha"]),
        tiff(np.moveaxis(rgb, 2, 0), photometric="rgb", planarconfig="separate"),
    ]
    # Shares of red, green and blue: ITU-R BT.709-6, item 3.2.
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    for data in files:
        still = read_still(data, LINEAR, file="frame")
        assert still.channel == "luma"
        np.testing.assert_allclose(still.pixels * (2**bits - 1), luma, rtol=1e-5, atol=1e-3)
        assert np.array_equal(np.round(still.second * (2**bits - 1)), green)
        asked = read_still(data, replace(LINEAR, channel="green"), file="frame")
        assert asked.channel == "green"
        assert np.array_equal(asked.pixels, still.second)


def test_luma_is_clipped_where_one_colour_is() -> None:
    bgr = np.full((32, 32, 3), 100, dtype=np.uint8)
    bgr[0, 0, 2] = 255
    still = read_still(png(bgr), LINEAR, file="frame")
    assert still.pixels[0, 0] == still.levels.white_linear
    assert still.pixels[1, 1] == pytest.approx(100 / 255)


def test_black_white_bits_and_shift_are_those_of_the_description() -> None:
    # 12 bits moved up by 4, pedestal 64, as in a description with black_level 1024 and white_level 65520.
    codes = (np.arange(64, 4096, 63, dtype=np.uint16) << 4).reshape(8, 8).repeat(4, 0).repeat(4, 1)
    known = Recording(transfer="linear", bit_depth=12, left_shift=4, black_level=1024, white_level=65520)
    still = read_still(png(codes), known, file="frame")
    assert still.pixels == pytest.approx((codes / 16 - 64) / (4095 - 64), abs=1e-6)
    assert still.levels.white_linear == 1.0
    assert still.levels.black_linear == pytest.approx(-64 / 4031)


def test_without_levels_the_bits_that_are_used_give_white() -> None:
    codes = np.full((32, 32), 1023 << 6, dtype=np.uint16)
    still = read_still(tiff(codes), Recording(transfer="linear", bit_depth=10, left_shift=6), file="frame")
    assert still.pixels == pytest.approx(1.0)


def test_values_below_black_stay_below_zero_so_that_noise_keeps_its_mean() -> None:
    codes = np.full((32, 32), 100, dtype=np.uint16)
    still = read_still(
        tiff(codes), Recording(transfer="linear", black_level=200, white_level=1200), file="frame"
    )
    assert still.pixels == pytest.approx(-0.1)


def test_a_jpeg_is_read_with_a_warning_and_as_srgb_unless_told() -> None:
    # sRGB 188 of 255 is half the light (IEC 61966-2-1: 0.5029).
    still = read_still(jpeg(np.full((64, 96), 188, np.uint8)), Recording(), file="frame")
    assert still.pixels == pytest.approx(0.503, abs=0.005)
    assert "JPEG" in still.warnings[0]


def test_float_tiff_and_exr_are_linear_already() -> None:
    light = np.random.default_rng(0).gamma(2, 1, (64, 96)).astype(np.float32)
    assert np.array_equal(linear(tiff(light), Recording()), light)
    assert np.array_equal(linear(exr({"Y": light}), Recording()), light)


def test_floats_clip_only_where_a_white_level_says_so() -> None:
    data = exr({"Y": np.full((64, 96), 3.0, np.float32)})
    assert read_still(data, Recording(), file="frame").levels.white_linear == np.inf
    told = read_still(data, Recording(white_level=4.0), file="frame")
    assert told.levels.white_linear == 1.0
    assert told.pixels == pytest.approx(0.75)


@pytest.mark.parametrize(
    "compression", ["NO_COMPRESSION", "ZIP_COMPRESSION", "ZIPS_COMPRESSION", "PIZ_COMPRESSION"]
)
@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_of_an_exr_in_colours_the_green_channel_is_taken(compression: str, kind: type) -> None:
    rng = np.random.default_rng(0)
    channels = {name: rng.random((64, 96)).astype(kind) for name in "RGBA"}
    assert np.array_equal(linear(exr(channels, compression=compression), Recording()), channels["G"])


@pytest.mark.parametrize(
    ("pattern", "greens"), [((0, 1, 1, 2), ((0, 1), (1, 0))), ((1, 0, 2, 1), ((0, 0), (1, 1)))]
)
def test_of_a_raw_mosaic_the_green_sites_are_taken_as_they_are(
    pattern: tuple[int, ...], greens: tuple[tuple[int, int], ...]
) -> None:
    codes = np.random.default_rng(0).integers(400, 15000, (64, 96)).astype(np.uint16)
    still = read_still(dng(codes, pattern=pattern), Recording(), file="frame.dng")
    expected = np.full(codes.shape, np.nan)
    for row, column in greens:
        expected[row::2, column::2] = (codes[row::2, column::2] - 512.0) / (16000 - 512)
    assert still.pixels == pytest.approx(expected, abs=1e-6, nan_ok=True)
    assert (still.levels.black, still.levels.white) == (512, 16000)


def test_given_levels_go_before_those_of_a_raw_file() -> None:
    codes = np.full((64, 96), 1000, dtype=np.uint16)
    still = read_still(dng(codes), Recording(black_level=0, white_level=2000), file="frame.dng")
    assert np.nanmean(still.pixels) == pytest.approx(0.5)


@pytest.mark.slow
def test_8k_is_read_and_its_size_is_told_from_the_header() -> None:
    codes = np.zeros((4320, 7680), dtype=np.uint16)
    codes[1234, 5678] = 65535
    data = tiff(codes)
    assert still_size(data, file="8k") == (7680, 4320)
    pixels = linear(data)
    assert pixels.shape == (4320, 7680)
    assert np.argwhere(pixels == 1).tolist() == [[1234, 5678]]


def test_an_unknown_transfer_is_asked_for() -> None:
    with pytest.raises(DescriptionError, match="do not say their transfer"):
        read_still(png(picture()), Recording(), file="frame")


def test_bits_that_do_not_fit_are_refused() -> None:
    with pytest.raises(DescriptionError, match="bit_depth 12 with left_shift 4 does not fit into the 8 bits"):
        read_still(png(picture(8)), Recording(transfer="linear", bit_depth=12, left_shift=4), file="frame")


def test_levels_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(DescriptionError, match="black level 900 must lie below the white level 100"):
        linear(png(picture()), Recording(transfer="linear", black_level=900, white_level=100))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (tiff(picture().astype(np.int16)), "int16"),
        (tiff(picture().astype(np.uint32)), "uint32"),
        (tiff(picture(), photometric="miniswhite"), "white as 0"),
        (exr({"Z": np.zeros((64, 96), np.float32)}), "has the channels Z"),
    ],
    ids=["signed", "32 bits", "inverted", "no green"],
)
def test_pictures_of_another_kind_are_refused(data: bytes, words: str) -> None:
    with pytest.raises(FrameFileError, match=words):
        linear(data)


def test_a_finished_picture_in_a_raw_file_is_refused() -> None:
    tags = [(50706, "B", 4, (1, 4, 0, 0), True), (50708, "s", 0, "Invented camera", True)]
    rgb = np.zeros((64, 96, 3), dtype=np.uint16)
    data = tiff(rgb, photometric=tifffile.PHOTOMETRIC.LINEAR_RAW, extratags=tags)
    with pytest.raises(FrameFileError, match="DNG holds a finished picture"):
        linear(data)
