"""Lenses, stands and cameras that several cells share."""

import zlib
from dataclasses import replace

from benchmarks.worlds.frames.camera import Camera
from benchmarks.worlds.frames.optics import THREE_COLOURS, Lens
from benchmarks.worlds.frames.stand import Stand

REPORT_SEEDS = 10_000
"""First seed of the range that is kept for reports."""

PLAIN = Lens(fnumber=2.0)
FAST = replace(PLAIN, fnumber=1.4)
REAL = Lens(
    fnumber=2.0,
    spectrum=THREE_COLOURS,
    colour_um=10.0,
    colour_tilt_um=-2.0,
    spherical_waves=0.22,
    spherical6_waves=-0.1,
    coma_axis_waves=0.1,
    coma_axis_deg=35.0,
    coma_field_waves=0.4,
    astigmatism_field_waves=0.4,
    curvature_field_um=8.0,
    cat_eye=0.3,
    falloff=0.3,
    distortion=0.01,
    growth=2e-5,
)
"""A lens with all its faults: 14 µm of colour between deep blue and green."""

QUIET = Stand(frames=15, step_um=8.0)
LOOSE = replace(QUIET, error_um=0.7)
PICTURE = Camera(mosaic="bilinear", tone="Rec.709", sharpening=0.4, bits=8, exposure=0.5, flare=0.04)
"""A typical camera picture."""


def cell_seed(name: str, seed: int) -> int:
    """Return the seed of a cell's world: the same seed draws another world in each cell."""
    return seed * 2**32 + zlib.crc32(name.encode())
