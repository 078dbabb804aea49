"""The pictures made apart, held against closed forms and counts that are not in their own code."""

import ast
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[3]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from benchmarks.worlds.frames import codec as codecs  # noqa: E402
from benchmarks.worlds.frames.camera import Camera, Processor, demosaic, mosaic, toned  # noqa: E402
from benchmarks.worlds.frames.cells import FEEDS, REPORT_SEEDS, SWEEPS  # noqa: E402
from benchmarks.worlds.frames.chart import sheet  # noqa: E402
from benchmarks.worlds.frames.feed import Feed, Motion  # noqa: E402
from benchmarks.worlds.frames.files import write_clip, write_feed, write_sweep  # noqa: E402
from benchmarks.worlds.frames.former import Former, Moment, Sensor  # noqa: E402
from benchmarks.worlds.frames.geometry import View  # noqa: E402
from benchmarks.worlds.frames.optics import THREE_COLOURS, Lens  # noqa: E402
from benchmarks.worlds.frames.pupil import Kernels, best_focus_um, modulation  # noqa: E402
from benchmarks.worlds.frames.stand import Stand, walk  # noqa: E402
from benchmarks.worlds.frames.sweep import Setup, make_sweep  # noqa: E402
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import curve_fit
from scipy.special import j1

