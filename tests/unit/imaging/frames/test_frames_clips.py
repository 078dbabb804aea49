"""Clips by real encoders: luma, range and transfer, order, damage."""

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest
from frame_files import CODECS, clip, picture

from shimwise.imaging.frames.clips import clip_facts
from shimwise.imaging.frames.errors import DescriptionError, FrameFileError, TooFewFramesError
from shimwise.imaging.frames.listing import Coordinate
from shimwise.imaging.frames.recording import Recording
from shimwise.imaging.frames.source import open_sweep

SIZE = {"width": 320, "height": 192}


def lumas(bits: int, *, count: int = 8, low: float = 0.1, high: float = 0.85) -> list[np.ndarray]:
    """Smooth frames, each lighter than the one before."""
    shape = picture(16, **SIZE) / 65535
    top = 2**bits - 1
    kind = np.uint16 if bits > 8 else np.uint8
    steps = np.linspace(low, high - 0.15, count)
    return [np.round(top * (step + 0.15 * shape)).astype(kind) for step in steps]


def positions(folder: Path, text: str) -> Path:
    path = folder / "positions.csv"
    path.write_text(text, encoding="utf-8")
    return path


def rows(values: Sequence[float]) -> str:
    return "position_um\n" + "\n".join(f"{value}" for value in values) + "\n"


@pytest.mark.slow
@pytest.mark.parametrize("codec", list(CODECS))
def test_luma_comes_back_in_order_and_in_linear_light(codec: str, tmp_path: Path) -> None:
    bits = 10 if "10le" in CODECS[codec][2] else 8
    sent = lumas(bits)
    path = clip(tmp_path, sent, codec)
    csv = positions(tmp_path, rows(np.arange(8) * 10.0 - 40))
    given = Recording(transfer="linear", signal_range="limited")
    source = open_sweep(path, positions=csv, recording=given)
    got = list(source)
    assert [place for place, _ in got] == list(np.arange(8) * 10.0 - 40)
    low, high = (16 * 2 ** (bits - 8), 235 * 2 ** (bits - 8))
    for (_, light), luma in zip(got, sent, strict=True):
        error = light - (luma.astype(float) - low) / (high - low)
        # A code is 1/219 of the range in 8 bits; the encoders are lossy, at a fine setting.
        assert np.sqrt((error**2).mean()) < 0.004
        assert abs(error.mean()) < 0.0015
    assert source.skipped == []


@pytest.mark.slow
@pytest.mark.parametrize("codec", ["h264", "h265-10"])
def test_range_and_transfer_are_read_from_the_stream(codec: str, tmp_path: Path) -> None:
    bits = 10 if "10" in codec else 8
    path = clip(tmp_path, lumas(bits), codec, color_range=2, transfer=8)
    source = open_sweep(path, positions=positions(tmp_path, rows(range(8))))
    assert (source.recording.signal_range, source.recording.transfer) == ("full", "linear")
    first = next(iter(source))[1]
    assert first == pytest.approx(lumas(bits)[0] / (2**bits - 1), abs=0.02)


def test_a_stream_of_video_is_read_by_its_own_curve(tmp_path: Path) -> None:
    # Luma 126 of 8 bits, limited: the signal (126 − 16)/219 = 0.5023 is 0.262 of the light by BT.709.
    flat = [np.full((192, 320), 126, np.uint8)] * 6
    source = open_sweep(clip(tmp_path, flat, "h264"), positions=positions(tmp_path, rows(range(6))))
    assert source.recording.transfer == "Rec.709"
    assert source.recording.signal_range == "limited"
    assert next(iter(source))[1].mean() == pytest.approx(0.2620, abs=0.003)


def test_what_is_given_goes_before_the_stream(tmp_path: Path) -> None:
    flat = [np.full((192, 320), 126, np.uint8)] * 6
    given = Recording(transfer="gamma 2.0", signal_range="full")
    path, csv = clip(tmp_path, flat, "h264"), positions(tmp_path, rows(range(6)))
    assert next(iter(open_sweep(path, positions=csv, recording=given)))[1].mean() == pytest.approx(
        (126 / 255) ** 2, abs=0.003
    )


def test_a_stream_without_transfer_asks_for_it_and_one_without_range_warns(tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(10), "prores", color_range=0, transfer=2)
    csv = positions(tmp_path, rows(range(8)))
    with pytest.raises(DescriptionError, match="does not say its transfer"):
        open_sweep(path, positions=csv)
    source = open_sweep(path, positions=csv, recording=Recording(transfer="linear"))
    if clip_facts(path).signal_range is None:
        assert any("does not say its range" in text for text in source.warnings)


def test_frames_can_be_named_by_number_and_others_are_left_alone(tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(8), "h264", transfer=8)
    csv = positions(tmp_path, "frame;ring\n7;3 ft\n1;2' 11 1/2\"\n2;914\n3;1 m\n4;1.2 m\n")
    source = open_sweep(path, positions=csv)
    frames = list(source.frames())
    assert source.coordinate is Coordinate.RING
    assert [(f.name, f.position) for f in frames] == [
        ("frame 1", pytest.approx(901.7)),
        ("frame 2", 914),
        ("frame 3", 1000),
        ("frame 4", 1200),
        ("frame 7", pytest.approx(914.4)),
    ]
    assert all(a.pixels.mean() < b.pixels.mean() for a, b in pairwise(frames))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("position_um\n1\n2\n", "2 rows and clip.mp4 8 frames"),
        ("frame,position_um\n0,1\n0,2\n", "Row 3 .* has the frame 0"),
        ("frame,position_um\n8,1\n", "from 0 to 7"),
        ("frame,position_um\n-1,1\n", "counted from 0"),
        ("frame,position_um\n1,abc\n", "position_um is 'abc'"),
        ("frame,ring\n1,banana\n", "ring"),
        ("frame,distance\n1,-3\n", "distance"),
        ("frame\n1\n", "none was found"),
        ("frame,position_um,ring\n1,1,1\n", "found position_um and ring"),
        ("frame,frame,ring\n1,1,1\n", "is twice in the header"),
        ("frame,position_um\n1,1,1\n", "more cells"),
        ("", "empty"),
        ("frame,position_um\n", "lists 0 frames"),
        ("frame,position_um\n1,nan\n", "position_um is 'nan'"),
    ],
)
def test_positions_that_make_no_sense_are_refused(text: str, words: str, tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(8), "h264", transfer=8)
    with pytest.raises(DescriptionError, match=words):
        open_sweep(path, positions=positions(tmp_path, text))


def test_a_clip_without_positions_asks_for_them(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="give a CSV with the position"):
        open_sweep(clip(tmp_path, lumas(8), "h264"))


@pytest.mark.parametrize("codec", ["h264", "dnxhr-8"])
def test_no_picture_after_damage_is_handed_on_as_sound(codec: str, tmp_path: Path) -> None:
    sent = [np.roll(frame, 7 * k, axis=1) for k, frame in enumerate(lumas(8, count=12))]
    path = clip(tmp_path, sent, codec, transfer=8, options={"bf": "0", "g": "6"} if codec == "h264" else {})
    csv = positions(tmp_path, rows(range(12)))
    sound = dict(open_sweep(path, positions=csv, recording=Recording(transfer="linear")))
    with av.open(str(path)) as opened:
        packet = [(p.pos, p.size) for p in opened.demux(video=0) if p.size][2]
    data = bytearray(path.read_bytes())
    for k in range(12):
        data[packet[0] + int(packet[1] * (0.2 + 0.05 * k))] ^= 0x5A
    path.write_bytes(data)
    source = open_sweep(path, positions=csv, recording=Recording(transfer="linear"))
    got = dict(source)
    assert 5 <= len(got) < 12
    assert len(got) + len(source.skipped) == 12
    assert all(np.array_equal(light, sound[place]) for place, light in got.items())


def test_a_truncated_clip_gets_one_clear_message(tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(8), "h264", transfer=8)
    path.write_bytes(path.read_bytes()[:-900])
    with pytest.raises(FrameFileError, match="damaged or ends early"):
        open_sweep(path, positions=positions(tmp_path, rows(range(8))))


def test_a_clip_cut_short_in_a_streaming_container_keeps_what_is_whole(tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(10, count=14), "dnxhr-10", transfer=8)
    path.write_bytes(path.read_bytes()[: int(0.75 * path.stat().st_size)])
    facts = clip_facts(path)
    assert 5 <= facts.frames < 14
    csv = positions(tmp_path, "frame,position_um\n" + "\n".join(f"{k},{k}" for k in range(facts.frames)))
    assert len(list(open_sweep(path, positions=csv, recording=Recording(transfer="linear")))) >= 5


def test_a_text_that_points_to_other_files_is_no_clip(tmp_path: Path) -> None:
    secret = clip(tmp_path, lumas(8), "h264")
    for name, text in (
        ("list.mp4", f"ffconcat version 1.0\nfile '{secret}'\n"),
        ("list.mov", f"#EXTM3U\n#EXTINF:1,\n{secret}\n"),
    ):
        path = tmp_path / name
        path.write_text(text)
        with pytest.raises(FrameFileError, match="no clip in MOV"):
            open_sweep(path, positions=positions(tmp_path, rows(range(8))))


def test_too_few_frames_are_an_error_with_the_reasons(tmp_path: Path) -> None:
    path = clip(tmp_path, lumas(8), "h264", transfer=8)
    source = open_sweep(path, positions=positions(tmp_path, "frame,position_um\n0,1\n1,2\n"))
    with pytest.raises(TooFewFramesError, match="Only 2 of the 5 frames"):
        list(source)


def test_a_clip_whose_coding_is_not_known_gets_one_clear_message(tmp_path: Path) -> None:
    path = tmp_path / "sweep.avi"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=24)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuvj420p"
        grey = av.VideoFrame.from_ndarray(np.full((64, 64, 3), 99, np.uint8))
        container.mux([*stream.encode(grey), *stream.encode()])
    path.write_bytes(path.read_bytes().replace(b"MJPG", b"ZZQ!"))
    with pytest.raises(FrameFileError, match="how its picture is coded is not known here"):
        clip_facts(path)
