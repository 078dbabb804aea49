"""The rings of one star as measured, and what each of them shows of the transfer."""

from dataclasses import replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.lens.template import RingNodes
from shimwise.imaging.star.response import plain_response
from shimwise.imaging.star.ring_data import RingData


def star_rings(data: RingData) -> StarRings:
    """Return what a fit of focus takes in: rings with pixels, the pixel's transfer within each ring's mean.

    Raises
    ------
    ImagingError
        With fewer than 5 frames or none of measurable modulation.
    """
    data = filled_rings(data)
    response = data.response or plain_response(data.frequency_cy_mm)
    pixel, slope = _pixel(response.nodes_cy_mm * data.pitch_um * 1e-3)
    mix = pixel[:, None] * response.mix / (pixel @ response.mix)
    detuning = data.detuning if data.detuning is not None else np.zeros_like(data.modulation)
    return StarRings(
        position_um=data.position_um,
        modulation=data.modulation,
        pixels=data.pixels,
        detuning=detuning,
        frequency_cy_mm=data.frequency_cy_mm,
        nodes=RingNodes(response.nodes_cy_mm, mix, slope),
    )


def pixel_transfer(cycles_px: FloatArray) -> FloatArray:
    """Return the transfer of a square pixel, mean over directions, at frequencies in cycles per pixel."""
    return _pixel(cycles_px)[0]


def _pixel(cycles_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transfer of a square pixel, mean over directions, and the slope of its ln by ln of the frequency.

    It is part of a ring's mean over frequencies: beside the blur's own curve it changes that mean.
    """
    turn = (np.arange(16) + 0.5) * np.pi / 32.0
    x = np.pi * cycles_px[:, None] * np.cos(turn)
    y = np.pi * cycles_px[:, None] * np.sin(turn)
    each = np.sinc(x / np.pi) * np.sinc(y / np.pi)
    safe = np.where(np.abs(x) < 1e-4, 1e-4, x), np.where(np.abs(y) < 1e-4, 1e-4, y)
    slope = sum(v / np.tan(v) - 1.0 for v in safe)
    mean = np.mean(each, axis=1)
    return mean, np.mean(each * slope, axis=1) / mean


def filled_rings(data: RingData) -> RingData:
    """Leave out rings without pixels in any frame."""
    full = np.any(data.pixels > 0, axis=0)
    response = data.response and replace(data.response, mix=data.response.mix[:, full])
    return replace(
        data,
        response=response,
        detuning=None if data.detuning is None else data.detuning[:, full],
        frequency_cy_mm=data.frequency_cy_mm[full],
        modulation=data.modulation[:, full],
        pixels=data.pixels[:, full],
    )
