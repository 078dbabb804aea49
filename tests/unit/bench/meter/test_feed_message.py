"""The bytes that a page sends of a frame, and what is refused of them in words."""

import struct

import numpy as np
import pytest

from filmed import Frame, message
from shimwise.bench.meter.feed_message import MOST_BYTES, FeedRefusedError, read_message
from shimwise.bench.meter.page_feed import read_page_feed

FRAME = Frame(1.25, np.arange(360 * 480, dtype=np.uint32).reshape(360, 480).astype(np.uint8))
PART = [0, 100, 60, 64, 48, 1]


def refused(sent: bytes) -> str:
    with pytest.raises(FeedRefusedError) as found:
        read_message(sent)
    return found.value.kind


def test_a_frame_is_read_as_it_was_sent() -> None:
    frame = read_message(message(FRAME, [PART, [3, 0, 0, 32, 16, 2]], dropped=7))
    assert (frame.t_us, frame.dropped, frame.width_px, frame.height_px) == (1_250_000, 7, 480, 360)
    assert (frame.is_limited, frame.is_whole) == (True, False)
    first, second = frame.parts
    assert np.array_equal(first.codes, FRAME.luma[60:108, 100:164])
    assert (second.star, second.shrink, second.codes.shape) == (3, 2, (16, 32))


def test_the_largest_message_that_is_taken_is_five_pictures_of_512_px() -> None:
    large = Frame(0.0, np.zeros((512, 512), np.uint8))
    sent = message(large, [[star, 0, 0, 512, 512, 1] for star in range(5)], size=(1920, 1080))
    assert len(sent) == MOST_BYTES
    assert len(read_message(sent).parts) == 5


@pytest.mark.parametrize("length", [0, 3, 19, 25, 200])
def test_a_message_that_is_cut_off_is_refused(length: int) -> None:
    assert refused(message(FRAME, [PART])[:length]) == "header"


def test_what_is_no_frame_or_has_bytes_too_many_is_refused() -> None:
    assert refused(message(FRAME, [PART], magic=b"RIFF")) == "header"
    assert refused(message(FRAME, [PART]) + b"x") == "header"
    assert refused(message(FRAME, [PART, PART])) == "header"  # one star twice
    assert refused(message(FRAME, [[9, *PART[1:]]])) == "header"


def test_more_and_larger_pictures_than_are_taken_are_refused_in_words() -> None:
    small = [[star, 0, 0, 16, 16, 1] for star in range(6)]
    assert refused(message(FRAME, small)) == "count"
    assert refused(message(FRAME, [])) == "count"
    large = Frame(0.0, np.zeros((514, 514), np.uint8))
    with pytest.raises(FeedRefusedError, match="514 × 514 px was sent; 16 to 512 px a side are taken"):
        read_message(message(large, [[0, 0, 0, 514, 514, 1]], size=(1920, 1080)))
    assert refused(message(FRAME, [[0, 0, 0, 8, 8, 1]])) == "size"


def test_a_picture_outside_the_cameras_is_refused() -> None:
    inside = message(FRAME, [PART])
    outside = bytearray(inside)
    struct.pack_into("<H", outside, 20, 450)
    assert refused(bytes(outside)) == "picture"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no json", "cannot be read"),
        ("[]", "cannot be read"),
        ("{}", "Type the size of the sensor's pixel"),
        ('{"pixel_um": 6, "fnumber": 0}', "the f-number between 0.7 and 64; 0 is impossible"),
        ('{"pixel_um": "6"}', "as a number"),
        ('{"pixel_um": NaN}', "as a number"),
        ('{"pixel_um": 6, "first": "left"}', "Choose which way"),
        ('{"pixel_um": 6, "stars": 3}', "1 or 5 stars"),
        (f'{{"pixel_um": 6, "of": "{"x" * 5000}"}}', "cannot be read"),
    ],
)
def test_what_a_page_tells_is_checked(text: str, words: str) -> None:
    with pytest.raises(FeedRefusedError, match=words):
        read_page_feed(text)


def test_a_picture_that_is_scaled_has_larger_pixels_on_either_way_of_holding_the_camera() -> None:
    facts = read_page_feed('{"pixel_um": 3.0, "across_px": 3840}')
    assert facts.pitch_um((1920, 1080)) == facts.pitch_um((1080, 1920)) == pytest.approx(6.0)
    assert read_page_feed('{"pixel_um": 3.0}').pitch_um((1920, 1080)) == 3.0
