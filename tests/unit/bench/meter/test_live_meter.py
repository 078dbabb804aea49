"""Frames handed over one by one, as a page does: what is seen, what is frozen, what is lost."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from shimwise.bench.meter.live import LiveMeter
from shimwise.imaging.frames.levels import CodeLevels

STAR = cv2.imread(
    str(Path(__file__).parents[3] / "reference" / "meter-1" / "frame-0.png"), cv2.IMREAD_GRAYSCALE
)
LAYOUT = {"unit": "mm", "stars": [{"id": "S0", "centre_mm": [0, 0], "radius_mm": 45.55, "spokes": 80}]}
LEVELS = CodeLevels(black=16, white=235, transfer="Rec.709", bits=8, is_limited=True)


@pytest.fixture
def meter() -> LiveMeter:
    return LiveMeter(LAYOUT, pitch_um=6.0, fnumber=2.0, first="away", levels=LEVELS)


def test_equal_frames_are_frozen_after_half_a_second(meter: LiveMeter) -> None:
    assert "frozen" not in meter.add(0.0, STAR).line.notes
    assert "frozen" not in meter.add(0.4, STAR).line.notes
    frozen = meter.add(0.6, STAR)
    assert frozen.line.notes == ("frozen",)
    assert frozen.line.offset_um is None
    assert meter.final().line.notes == ("frozen",)
    assert "stands still" in frozen.sentences[0]


def test_a_feed_that_sends_nothing_is_frozen_too(meter: LiveMeter) -> None:
    meter.add(0.0, STAR)
    assert meter.add(0.7, None).line.notes == ("frozen",)


def test_lost_frames_are_counted(meter: LiveMeter) -> None:
    meter.add(0.0, STAR)
    noisy = (STAR + np.random.default_rng(2).integers(0, 2, STAR.shape)).astype(np.uint8)
    line = meter.add(0.2, noisy, dropped=4).line
    assert (line.frames, line.dropped, line.state) == (2, 4, "seeking")
    assert line.notes == ("no_pass",)


def test_a_black_picture_is_named(meter: LiveMeter) -> None:
    assert meter.add(0.0, np.full((64, 64), 16, np.uint8)).line.notes == ("black",)
