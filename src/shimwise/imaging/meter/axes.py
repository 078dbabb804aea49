"""The axes of a lens apart: where level spokes are sharpest, and where upright ones are."""

import math
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.meter.calibration import Calibration, Run, calibrate
from shimwise.imaging.meter.law_model import MeterLaw
from shimwise.imaging.meter.offsets import Offset, Places, offset_between
from shimwise.imaging.meter.star_frame import QUARTER_SHARE

VERTICAL, HORIZONTAL = 0, 2
"""Quarters of the star: level spokes show vertical detail, upright ones horizontal."""
ROUNDS = 2
"""Once with the vertices at 0, and once at what the other axis leaves there."""
LEAST_SDS = 3.0
"""Deviations from which axes that differ bend the whole star's vertex."""


@dataclass(frozen=True, slots=True)
class Axes:
    """The axes of a lens as passes have shown them.

    Attributes
    ----------
    difference : Offset
        Place by the vertical axis less that by the horizontal.
    calibrations : tuple of Calibration
        Of the horizontal and of the vertical axis.
    turns : tuple of float
        Signs that turn each one's sides into those of the difference.
    """

    difference: Offset
    calibrations: tuple[Calibration, Calibration]
    turns: tuple[float, float]

    @property
    def least(self) -> float:
        """Square of defocus that axes so far apart leave of the whole star at its sharpest. [µm²]"""
        if abs(self.difference.um) < LEAST_SDS * self.difference.sd_um:
            return 0.0
        return (self.difference.um / 2.0) ** 2

    def places(self, run: Run, quarters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return signed places of frames between the axes [µm] and their variance, each (frames, 1 + groups).

        Half the difference of the quarters' squares by how far they are apart: it goes through 0 as a line.
        """
        apart = QUARTER_SHARE * self.difference.um
        place: FloatArray = np.zeros((run.t_s.size, 1))
        for _ in range(ROUNDS):
            (across, across_variance), (down, down_variance) = (
                one.squares(_of_axis(run, quarters, axis), turn * np.sign(place[:, 0] + way * apart))
                for one, turn, axis, way in zip(
                    self.calibrations, self.turns, (HORIZONTAL, VERTICAL), (-0.5, 0.5), strict=True
                )
            )
            place = (down - across) / (2.0 * apart)
        return place, (down_variance + across_variance) / (4.0 * apart**2)

    @property
    def zero_sd_um(self) -> float:
        """Deviation of such places by the zeros of both squares. [µm]"""
        zeros = math.hypot(*(one.vertex_sd for one in self.calibrations))
        return float(zeros / (2.0 * QUARTER_SHARE * abs(self.difference.um)))


def axes_of(
    law: MeterLaw, run: Run, quarters: FloatArray, *, noise: float, has_sharpening: bool
) -> Axes | None:
    """Return the axes of a lens, or None without a pass by each of them.

    Parameters
    ----------
    law : MeterLaw
        The law at the star's rings.
    run : Run
        Frames of the passes.
    quarters : ndarray
        Modulation of the star's quarters in those frames, (frames, 4, rings).
    noise : float
        Deviation of one frame's square of defocus by the whole star [µm²].
    has_sharpening : bool
        Whether the camera sharpens.

    Notes
    -----
    Detail along a direction at the angle θ from an axis is blurred by √(z_x² cos²θ + z_y² sin²θ): the
    slope of the wavefront along it (H. H. Hopkins 1955, from memory). Over a quarter, ±22.5°, cos 2θ has the
    mean .900: the quarters' places differ by so much of the axes', and (1 − .9²)/4 of the square of the
    difference is left where one is sharpest.
    """
    found: Axes | None = None
    for _ in range(ROUNDS):
        least = 0.0 if found is None else (1.0 - QUARTER_SHARE**2) / 4.0 * found.difference.um**2
        across, down = (
            calibrate(
                law,
                _of_axis(run, quarters, axis),
                noise=2.0 * noise,
                has_sharpening=has_sharpening,
                least=least,
            )
            for axis in (HORIZONTAL, VERTICAL)
        )
        if across is None or down is None:
            return found
        first, second = (_places(run, one, fnumber=law.fnumber, noise=noise) for one in (across, down))
        apart = offset_between(first, second, law.fnumber)
        if apart is None:
            return found
        difference = Offset(apart.um / QUARTER_SHARE, apart.sd_um / QUARTER_SHARE)
        turn = 1.0 if float(np.sum(first.z_um * second.z_um)) >= 0.0 else -1.0
        found = Axes(difference, (across, down), (1.0, turn))
    return found


def _of_axis(run: Run, quarters: FloatArray, axis: int) -> Run:
    return Run(run.t_s, np.ascontiguousarray(quarters[:, axis]), 4.0 * run.variance)


def _places(run: Run, found: Calibration, *, fnumber: float, noise: float) -> Places:
    size = np.sqrt(np.maximum(found.square, 0.0))
    spread = (2.0 * noise) ** 2 / (4.0 * np.maximum(found.square, fnumber**2))
    return Places(run.t_s, found.side * size, spread + math.ulp(1.0))
