"""The image former: chart, lens and sensor plane become noise-free irradiance at the pixels.

Each star is one isoplanatic patch: its ideal picture, on a grid of ``parts`` samples a pixel, is filtered by
the point spread of its own place in the picture, by the optical low-pass and by the pixel's aperture, and
sampled at the pixels' centres with all the aliasing that this grid can hold. The rest of the sheet carries no
measurement; it is blurred by a Gaussian of the right size.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from benchmarks.worlds.frames.chart import Chart, Star, background, paint
from benchmarks.worlds.frames.geometry import View
from benchmarks.worlds.frames.pupil import Kernels, best_focus_um, kernels

type_window = tuple[int, int, int, int]
"""Left, top, width and height of a part of the picture [px]."""

_FIELD_STEP = 0.1


@dataclass(frozen=True)
class Sensor:
    """What stands between the lens and the charge: low-pass and pixel.

    Parameters
    ----------
    fill
        Side of the light-sensitive square as a part of the pitch.
    low_pass_um
        Split of the optical low-pass in each axis [µm]; 0 is none.
    parts
        Samples a pixel along each axis; the picture holds frequencies up to parts / (2 pitch).
    margin_px
        Paper painted around a star on each side [px]; at least the blur's reach.
    window_px
        Window of the point spread [px].
    """

    fill: float = 0.95
    low_pass_um: float = 0.0
    parts: int = 3
    margin_px: int = 16
    window_px: int = 24


@dataclass(frozen=True)
class Moment:
    """One exposure.

    Parameters
    ----------
    z_um
        Place of the sensor's centre against the paraxial image of the axis [µm], + away from the lens.
    shift_px
        Shift of the picture (x, y) [px].
    smear_px
        Way of the picture during the exposure (x, y) [px].
    """

    z_um: float
    shift_px: tuple[float, float] = (0.0, 0.0)
    smear_px: tuple[float, float] = (0.0, 0.0)


class StarFormer:
    """Forms one star; keeps its painted spectrum while the star's size stays within a tenth of a pixel."""

    def __init__(self, chart: Chart, star: Star, view: View, sensor: Sensor) -> None:
        self.chart, self.star, self.view, self.sensor = chart, star, view, sensor
        x_px, y_px = view.to_px(star.x_mm, star.y_mm)
        self.radius_px = star.radius_mm * view.scale_px_per_mm(star.x_mm, star.y_mm)
        side = 2 * (self.radius_px * (1 + abs(view.lens.growth) * 100) + sensor.margin_px + 1)
        self.size_px = 2 * scipy.fft.next_fast_len(math.ceil(side / 2))
        self.left_px, self.top_px = (round(place) - self.size_px // 2 for place in (x_px, y_px))
        self._painted_growth = math.nan

    @property
    def field(self) -> tuple[float, float]:
        """Field for which the aberrations are formed: that of the star, rounded to tenths."""
        if self.view.lens.is_alike_everywhere:
            return 0.0, 0.0
        x, y = self.view.field(*self.view.to_px(self.star.x_mm, self.star.y_mm))
        return round(x / _FIELD_STEP) * _FIELD_STEP, round(y / _FIELD_STEP) * _FIELD_STEP

    @property
    def folded_field(self) -> tuple[tuple[float, float], tuple[bool, bool]]:
        """Field folded into one quadrant if the lens is alike in all, and whether x and y were mirrored."""
        field = self.field
        if self.view.lens.coma_axis_waves:
            return field, (False, False)
        return (abs(field[0]), abs(field[1])), (field[0] < 0, field[1] < 0)

    def kernels(self, channel: str) -> tuple[Kernels, tuple[bool, bool]]:
        """Return point spreads of a channel, and whether they are to be mirrored in x and y."""
        field, mirrors = self.folded_field
        step_um = self.view.pitch_um / self.sensor.parts
        count = self.sensor.window_px * self.sensor.parts
        count += count % 2
        return kernels(self.view.lens, channel, field, step_um=step_um, count=count), mirrors

    def touches(self, window: type_window) -> bool:
        """Return whether the star's patch reaches into a window."""
        left, top, width, height = window
        across = self.left_px < left + width and left < self.left_px + self.size_px
        return across and self.top_px < top + height and top < self.top_px + self.size_px

    def form(self, moment: Moment, channel: str) -> tuple[NDArray[np.float32], int, int]:
        """Form the star as it falls on the pixels at one moment.

        Returns
        -------
        tuple
            Irradiance against paper, shape (size, size), and the left and top pixel of the patch.
        """
        view = self.view.moved(moment.z_um)
        self._paint(view)
        x_now, y_now = view.to_px(self.star.x_mm, self.star.y_mm)
        shift = (
            moment.shift_px[0] + x_now - self._painted_px[0],
            moment.shift_px[1] + y_now - self._painted_px[1],
        )
        whole = (round(shift[0]), round(shift[1]))
        held, mirrors = self.kernels(channel)
        kernel = held.at(view.defocus_um(self.star.x_mm, self.star.y_mm))
        if mirrors[0]:
            kernel = np.roll(kernel[:, ::-1], 1, axis=1)
        if mirrors[1]:
            kernel = np.roll(kernel[::-1], 1, axis=0)
        kernel = _moved(
            kernel, (shift[0] - whole[0], shift[1] - whole[1]), moment.smear_px, self.sensor.parts
        )
        return self._filtered(kernel), self.left_px + whole[0], self.top_px + whole[1]

    def _paint(self, view: View) -> None:
        if abs(view.growth - self._painted_growth) * self.radius_px <= 0.1:
            return
        n, parts = self.size_px, self.sensor.parts
        ideal = paint(
            self.chart, self.star, view, left_px=self.left_px, top_px=self.top_px, size_px=n, parts=parts
        )
        self._spectrum = scipy.fft.rfft2(ideal) * self._aperture
        self._painted_growth = view.growth
        self._painted_px = view.to_px(self.star.x_mm, self.star.y_mm)

    @cached_property
    def _aperture(self) -> NDArray[np.complex64]:
        """Transfer of low-pass and pixel, which also moves a kernel's middle to the origin."""
        n, parts = self.size_px, self.sensor.parts
        down, across = (
            scipy.fft.fftfreq(n * parts)[:, None] * parts,
            scipy.fft.rfftfreq(n * parts)[None] * parts,
        )
        fill, split = self.sensor.fill, self.sensor.low_pass_um / self.view.pitch_um
        aperture = np.sinc(down * fill) * np.sinc(across * fill) * np.cos(np.pi * down * split)
        aperture = aperture * np.cos(np.pi * across * split)
        # Each painted sample is a mean over its own width across the spokes; that is taken back here.
        aperture = aperture / np.sinc(np.hypot(across, down) / parts)
        count = self.kernels(self.view.lens.channels[0])[0].count
        to_origin = np.exp(2j * np.pi * (down + across) / parts * (count // 2))
        return np.asarray(aperture * to_origin, dtype=np.complex64)

    def _filtered(self, kernel: NDArray[np.float32]) -> NDArray[np.float32]:
        """Multiply spectrum and transfer, fold what the pixels cannot sample, and go back to pixels."""
        n, parts = self.size_px, self.sensor.parts
        transfer = scipy.fft.fft(
            scipy.fft.rfft(kernel, n=n * parts, axis=1), n=n * parts, axis=0, overwrite_x=True
        )
        transfer *= self._spectrum
        folded = transfer.reshape(parts, n, -1).sum(axis=0) / np.float32(parts)
        rows = scipy.fft.ifft(folded, axis=0, overwrite_x=True)
        return np.asarray(scipy.fft.irfft(rows, n=n * parts, axis=1)[:, ::parts], dtype=np.float32)


class Former:
    """Forms whole pictures of a chart.

    Parameters
    ----------
    chart, view, sensor
        The sheet, the lens and its placing (its ``z_um`` is not used), and the sensor.
    """

    def __init__(self, chart: Chart, view: View, sensor: Sensor) -> None:
        self.chart, self.sensor = chart, sensor
        self.view = replace(view, z_um=0.0)
        self.stars = [StarFormer(chart, star, self.view, sensor) for star in chart.stars]
        self._sheet = background(chart, self.view)
        self._falloff = _falloff(self.view)

    def form(self, moment: Moment, channel: str, window: type_window | None = None) -> NDArray[np.float32]:
        """Form the picture of a channel, or a window of it; white paper in the middle of the field is 1.

        Returns
        -------
        numpy.ndarray
            Irradiance, shape (height, width) of the picture or of the window.
        """
        view = self.view
        left, top, width, height = window or (0, 0, view.width, view.height)
        cut = slice(top, top + height), slice(left, left + width)
        blur_px = 0.5 + abs(moment.z_um) * view.lens.sin_edge / view.pitch_um
        picture = cv2.GaussianBlur(self._sheet[cut], (0, 0), blur_px, borderType=cv2.BORDER_REPLICATE)
        if moment.shift_px != (0.0, 0.0):
            way = np.array([[1, 0, moment.shift_px[0]], [0, 1, moment.shift_px[1]]], dtype=np.float64)
            picture = cv2.warpAffine(picture, way, (width, height), borderMode=cv2.BORDER_REPLICATE)
        pasted = np.asarray(picture, dtype=np.float32)
        for star in self.stars:
            if star.touches((left, top, width, height)):
                patch, star_left, star_top = star.form(moment, channel)
                self._paste(pasted, star, patch, star_left - left, star_top - top)
        return np.asarray(pasted * self._falloff[cut])

    def best_um(self, channel: str) -> float:
        """Return the sharpest place of the sensor at the frame centre [µm from the paraxial image]."""
        return best_focus_um(self.view.lens, channel)

    def star_best_um(self, star: StarFormer, channel: str) -> float:
        """Return the place of the sensor's centre at which a star is sharpest [µm]."""
        peak_um = best_focus_um(self.view.lens, channel, star.folded_field[0])
        x_mm, y_mm = star.star.x_mm, star.star.y_mm
        z_um = peak_um
        for _ in range(4):
            z_um += peak_um - self.view.moved(z_um).defocus_um(x_mm, y_mm)
        return z_um

    def _paste(
        self, picture: NDArray[np.float32], star: StarFormer, patch: NDArray[np.float32], left: int, top: int
    ) -> None:
        """Lay a star's disc and a rim of paper into the picture, cut at the picture's edges."""
        n = star.size_px
        middle = (n - 1) / 2
        reach = min(middle, star.radius_px + self.sensor.margin_px)
        disc = _disc(n, round(reach))
        rows = slice(max(0, -top), min(n, picture.shape[0] - top))
        columns = slice(max(0, -left), min(n, picture.shape[1] - left))
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return
        into = picture[top + rows.start : top + rows.stop, left + columns.start : left + columns.stop]
        np.copyto(into, patch[rows, columns], where=disc[rows, columns])


@lru_cache(maxsize=32)
def _disc(size: int, reach: int) -> NDArray[np.bool_]:
    place = np.arange(size) - size // 2
    return np.asarray(place[:, None] ** 2 + place[None] ** 2 <= reach**2)


def _falloff(view: View) -> NDArray[np.float32]:
    """Return the light's falloff over the picture."""
    y, x = np.indices((view.height, view.width), dtype=np.float32)
    across, down = view.field(x, y)  # type: ignore[arg-type]
    return np.asarray(1 - view.lens.falloff * (across**2 + down**2), dtype=np.float32)


def _moved(
    kernel: NDArray[np.float32], shift_px: tuple[float, float], smear_px: tuple[float, float], parts: int
) -> NDArray[np.float32]:
    """Shift a point spread by less than a pixel and smear it along a way."""
    f = scipy.fft.fftfreq(len(kernel))
    down, across = f[:, None] * parts, scipy.fft.rfftfreq(len(kernel))[None] * parts
    way = np.exp(-2j * np.pi * (across * shift_px[0] + down * shift_px[1]))
    if smear_px != (0.0, 0.0):
        way = way * np.sinc(across * smear_px[0] + down * smear_px[1])
    return np.asarray(scipy.fft.irfft2(scipy.fft.rfft2(kernel) * way, s=kernel.shape), dtype=np.float32)
