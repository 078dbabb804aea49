"""Whole commands of ``shimwise meter`` on clips: refusals in a sentence, lines that follow their schema."""

import json
import signal
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from shimwise.bench.meter.live import FeedGiven, measure_feed
from shimwise.cli.desk.meter import ended_by_hand
from shimwise.sheets.json.documents import schema_error

Run = Callable[..., tuple[int, str, str]]
REFERENCE = Path(__file__).parents[2] / "reference" / "meter-1"


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    path = tmp_path / "chart.json"
    star = {"id": "S0", "centre_mm": [0, 0], "radius_mm": 45.55, "spokes": 80}
    path.write_text(json.dumps({"unit": "mm", "stars": [star]}), encoding="utf-8")
    return path


def filmed(path: Path, pictures: list[np.ndarray]) -> Path:
    """Write grey pictures as a clip that keeps them as they are, limited range."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=Fraction(25))
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "gray"
        stream.codec_context.color_range = 1
        for number, codes in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(codes, format="gray")
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def test_a_clip_without_a_pass_has_lines_but_no_microns(run: Run, layout: Path, tmp_path: Path) -> None:
    star = cv2.imread(str(REFERENCE / "frame-0.png"), cv2.IMREAD_GRAYSCALE)
    noise = np.random.default_rng(1).integers(-1, 2, (12, *star.shape))
    clip = filmed(tmp_path / "clip.mkv", [np.uint8(star + one) for one in noise])
    code, out, err = run(
        "meter", str(clip), "--chart", str(layout), "--fnumber", "2", "--pitch", "6", "--json", "--fast"
    )
    lines = [json.loads(line) for line in out.splitlines()]
    assert (code, err) == (1, "")
    assert all(schema_error(line, "meter") == "" for line in lines)
    assert lines[-1]["frames"] == 12
    assert lines[-1]["state"] == "seeking"
    assert lines[-1]["offset_um"] is None
    assert "no_pass" in lines[-1]["notes"]


@pytest.mark.parametrize(
    ("level", "words"), [(16, "every frame is black"), (120, "in no frame is the chart's")]
)
def test_a_feed_without_the_star_is_refused(
    run: Run, layout: Path, tmp_path: Path, level: int, words: str
) -> None:
    clip = filmed(tmp_path / "clip.mkv", [np.full((120, 160), level + k, np.uint8) for k in range(3)])
    code, _, err = run("meter", str(clip), "--chart", str(layout), "--pitch", "6", "--fast")
    assert code == 2
    assert words in err


def test_what_is_no_feed_is_refused_in_a_sentence(run: Run, layout: Path, tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("no video", encoding="utf-8")
    for source, words in (
        (str(tmp_path / "none.mp4"), "none.mp4"),
        (str(text), "no video that is read"),
        ("ftp://x/y", "such an address is not opened"),
    ):
        code, out, err = run("meter", source, "--chart", str(layout), "--pitch", "6")
        assert (code, out) == (2, "")
        assert words in err
    code, _, err = run("meter", "a.mp4", "--pitch", "6")
    assert code == 2
    assert "--chart" in err


def test_a_feed_that_is_ended_by_hand_gives_its_last_answer_and_keeps_its_frames(
    layout: Path, tmp_path: Path
) -> None:
    star = cv2.imread(str(REFERENCE / "frame-0.png"), cv2.IMREAD_GRAYSCALE)
    noise = np.random.default_rng(1).integers(-1, 2, (30, *star.shape))
    clip = filmed(tmp_path / "clip.mkv", [np.uint8(star + one) for one in noise])
    given = FeedGiven(chart=layout, pitch_um=6.0, fnumber=2.0, record=tmp_path / "kept")
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where the tests run in the background

    with ended_by_hand() as is_ended:
        answers = measure_feed(str(clip), given, is_fast=True, is_ended=is_ended)
        next(answers)
        signal.raise_signal(signal.SIGINT)
        *_, last = answers
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)  # asked twice, all of it ends

    assert last.is_last
    assert last.line.frames == len(list((tmp_path / "kept").glob("*.png"))) < 30
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
