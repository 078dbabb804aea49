"""Whole commands of ``shimwise sweep`` on clips by real encoders, positions in a CSV file of their own."""

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from bench_files import strict_json
from sweep_files import BEST_UM, MAGNIFICATION, SMALL, invented_frames

from shimwise.sheets.json.sweep_json import validate_sweep

Run = Callable[..., tuple[int, str, str]]

ENCODERS = {
    "prores": ("mov", "prores_ks", "yuv422p10le", {"profile": "3"}),
    "h265-10": ("mkv", "libx265", "yuv420p10le", {"crf": "8", "x265-params": "log-level=none"}),
    "h264": ("mp4", "libx264", "yuv420p", {"crf": "8"}),
}


def filmed(folder: Path, codec: str) -> tuple[Path, Path, Path]:
    """Clip of the invented sweep in limited range and linear light, its positions and its chart."""
    suffix, encoder, pixels, options = ENCODERS[codec]
    deep = pixels.endswith("10le")
    steps = 4 if deep else 1
    frames, chart, positions = invented_frames(SMALL)
    clip, csv, layout = folder / f"clip.{suffix}", folder / "positions.csv", folder / "layout.json"
    csv.write_text("position_um\n" + "".join(f"{um}\n" for um in positions), encoding="utf-8")
    layout.write_text(json.dumps(chart), encoding="utf-8")
    with av.open(str(clip), "w") as out:
        stream = out.add_stream(encoder, rate=Fraction(25), options=options)
        stream.width, stream.height, stream.pix_fmt = SMALL.width, SMALL.height, pixels
        stream.codec_context.color_range = 1  # limited
        for number, light in enumerate(frames):
            luma = np.round(steps * (16 + 219 * np.clip(light, 0.0, 1.0)))
            picture = av.VideoFrame(SMALL.width, SMALL.height, pixels)
            for place, plane in enumerate(picture.planes):
                codes = np.frombuffer(plane, np.uint16 if deep else np.uint8).reshape(plane.height, -1)
                codes[:] = steps * 128
                if place == 0:
                    codes[:, : SMALL.width] = luma
            picture.pts = number
            out.mux(stream.encode(picture))
        out.mux(stream.encode())
    return clip, csv, layout


@pytest.mark.parametrize("codec", list(ENCODERS))
def test_a_clip_gives_the_truth_of_its_frames(run: Run, tmp_path: Path, codec: str) -> None:
    clip, csv, layout = filmed(tmp_path, codec)
    words = ("--positions", csv, "--chart", layout, "--focal", "50 mm", "--fnumber", "2.8", "--pitch", "5")
    code, out, err = run("sweep", clip, *words, "--transfer", "linear", "--range", "limited", "--json")
    assert (code, err) == (0, "")
    told = dict(strict_json(out))
    validate_sweep(told)
    assert told["best_um"] == pytest.approx(BEST_UM, abs=0.1 if codec == "prores" else 0.5)
    assert told["landing_um"] == pytest.approx(-told["best_um"])
    assert told["magnification"] == pytest.approx(MAGNIFICATION, rel=1e-3)
    is_told = any("predicted frames" in flag for flag in told["flags"])
    assert is_told == (codec != "prores")  # one that keeps each frame by itself is not doubted


def test_a_clip_without_positions_is_refused_in_words(run: Run, tmp_path: Path) -> None:
    clip, _, layout = filmed(tmp_path, "h264")
    code, out, err = run("sweep", clip, "--chart", layout)
    assert (code, out) == (2, "")
    assert "give a CSV with the position of each of its frames" in err
