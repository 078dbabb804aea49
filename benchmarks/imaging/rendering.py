"""One element of the chart through lens and pixel, plane by plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import fft

from .camera import Camera
from .layout import Element
from .transfer import pixel_transfer, transfer_table

__all__ = ["Box", "Rendering"]

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

_FINE = 4
_TABLE = 1 << 15
_SCALE_NODES = 5


@dataclass
class Box:
    """A square of the frame that holds one element with its blur."""

    left: int
    top: int
    size: int
    element: Element | str

    @classmethod
    def around(cls, element: Element | str, camera: Camera) -> Box:
        """Box of an element that leaves room for its blur, its growth and its wandering."""
        spec = camera.spec
        px_mm = spec.magnification * 1e3 / spec.pitch_um
        blur_px = (spec.range_um + spec.step_um + 20.0) / spec.fnumber / spec.pitch_um
        if isinstance(element, str):
            size = fft.next_fast_len(max(spec.width, spec.height) // 2 * 2)
            size += size % 2
            return cls(0, 0, size, element)
        x, y = camera.to_px([element.x_mm, element.y_mm])
        grown = 1.0 + abs(camera.scale(spec.range_um) - 1.0) * 2
        moved = np.hypot(x, y) * (grown - 1.0)
        need = int(np.ceil(2 * element.reach_mm * px_mm * grown + blur_px + 2 * moved + 10))
        size = next(n for n in range(need, 2 * need) if n % 2 == 0 and fft.next_fast_len(n) == n)
        return cls(round(x) - size // 2, round(y) - size // 2, size, element)

    @property
    def x_px(self) -> Floats:
        """Columns of its pixels."""
        return self.left + np.arange(self.size, dtype=float)

    @property
    def y_px(self) -> Floats:
        """Rows of its pixels."""
        return self.top + np.arange(self.size, dtype=float)

    @property
    def middle_px(self) -> tuple[float, float]:
        """Its middle."""
        return self.left + self.size / 2, self.top + self.size / 2


class Rendering:
    """One element's spectrum on the fine grid, filtered and folded to pixels plane by plane."""

    def __init__(self, box: Box, camera: Camera) -> None:
        self.box, self.camera = box, camera
        self.fine = box.size * _FINE
        self.blur_px = 0.5 / _FINE
        spec = camera.spec
        if spec.exit_pupil_mm is None or isinstance(box.element, str):
            self.nodes = np.array([1.0])
        else:
            ends = [camera.scale(s * (spec.range_um + spec.step_um + 60.0)) for s in (-1, 1)]
            turn = np.cos(np.pi * (np.arange(_SCALE_NODES) + 0.5) / _SCALE_NODES)
            self.nodes = np.mean(ends) + 0.5 * (ends[1] - ends[0]) * turn
        self.spectra = [self._spectrum(float(scale)) for scale in self.nodes]

    def plane(self, defocus_um: float, middle_best_um: float) -> Picture:
        """Darkness at whole pixels at one defocus; the picture's size is that of the middle's position."""
        spec = self.camera.spec
        table = transfer_table(
            _TABLE,
            _FINE / np.sqrt(2.0) * 1.001,
            defocus_um,
            pitch_um=spec.pitch_um,
            fnumber=spec.fnumber,
            wavelengths_um=spec.wavelengths_um,
            w040_waves=spec.w040_waves,
        )
        spectrum = self._at_scale(self.camera.scale(defocus_um + middle_best_um))
        frequency = fft.fftfreq(self.fine, 1.0 / _FINE)
        gauss = np.exp(2.0 * np.pi**2 * self.blur_px**2 * frequency**2)
        along = (pixel_transfer(frequency) * gauss).astype(np.float32)
        size = self.box.size
        folded = np.zeros((size, size // 2 + 1), dtype=np.complex64)
        limit = np.float32((_TABLE - 1) / (_FINE / np.sqrt(2.0) * 1.001))
        _fold(spectrum, along, np.abs(frequency).astype(np.float32), table, limit, folded)
        return fft.irfft2(folded, (size, size)) / np.float32(_FINE**2)

    def _at_scale(self, scale: float) -> NDArray[np.complex64]:
        if len(self.nodes) == 1:
            return self.spectra[0]
        total = np.zeros_like(self.spectra[0])
        for k, node in enumerate(self.nodes):
            rest = np.delete(self.nodes, k)
            total += np.complex64(np.prod((scale - rest) / (node - rest))) * self.spectra[k]
        element, camera = self.box.element, self.camera
        home = camera.to_px([element.x_mm, element.y_mm])  # type: ignore[union-attr]
        shift = camera.to_px([element.x_mm, element.y_mm], scale) - home  # type: ignore[union-attr]
        frequency = fft.fftfreq(self.fine, 1.0 / _FINE)
        turn_x, turn_y = (np.exp(-2j * np.pi * frequency * s).astype(np.complex64) for s in shift)
        total *= turn_y[:, None]
        total *= turn_x[None, :]
        return total

    def _spectrum(self, scale: float) -> NDArray[np.complex64]:
        """Spectrum of the element, held at its place at scale 1 whatever the scale."""
        element, camera = self.box.element, self.camera
        if isinstance(element, str):
            return self._texture_spectrum()
        steps = np.arange(self.fine) / _FINE
        x, y = np.meshgrid(self.box.left + steps, self.box.top + steps)
        home = camera.to_px([element.x_mm, element.y_mm])
        shift = camera.to_px([element.x_mm, element.y_mm], scale) - home
        chart_x, chart_y = camera.to_chart(x + shift[0], y + shift[1], scale)
        px_mm = self._local_scale(element, scale)
        darkness = element.darkness(chart_x - element.x_mm, chart_y - element.y_mm, self.blur_px / px_mm)
        return np.asarray(fft.fft2(darkness.astype(np.float32)), dtype=np.complex64)

    def _local_scale(self, element: Element, scale: float) -> float:
        """Pixels per mm at the element (square root of the map's area factor)."""
        camera, at = self.camera, np.array([element.x_mm, element.y_mm])
        step = 1e-3 * np.eye(2)
        columns = [(camera.to_px(at + s, scale) - camera.to_px(at - s, scale)) / 2e-3 for s in step]
        return float(np.sqrt(abs(np.linalg.det(np.column_stack(columns)))))

    def _texture_spectrum(self) -> NDArray[np.complex64]:
        """Random darkness with a 1/f spectrum up to 0.35 cycles/pixel, fixed by the print's seed."""
        rng = np.random.default_rng(self.camera.spec.print_seed)
        fx = fft.fftfreq(self.fine, 1.0 / _FINE)
        radius = np.hypot(fx[None, :], fx[:, None])
        shape = np.where((radius > 0.004) & (radius < 0.35), 1.0 / np.maximum(radius, 1e-6), 0.0)
        noise = fft.ifft2(fft.fft2(rng.standard_normal(radius.shape)) * shape).real
        darkness = np.clip(0.5 + 0.16 * noise / noise.std(), 0.0, 1.0)
        spectrum = fft.fft2(darkness.astype(np.float32)) * (radius < 0.9)
        return (spectrum * np.exp(-2.0 * np.pi**2 * self.blur_px**2 * radius**2)).astype(np.complex64)


@njit(cache=True, fastmath=True)
def _fold(spectrum, along, size_of_frequency, table, limit, folded):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
    """Sum filtered replicas: what sampling at every pixel does to the spectrum."""
    fine = spectrum.shape[0]
    size, half = folded.shape
    for i in range(fine):
        row = i % size
        fy = size_of_frequency[i]
        for j in range(fine):
            column = j % size
            if column >= half:
                continue
            fx = size_of_frequency[j]
            place = np.sqrt(fx * fx + fy * fy) * limit
            k = int(place)
            part = place - k
            transfer = table[k] + part * (table[k + 1] - table[k])
            folded[row, column] += spectrum[i, j] * (transfer * along[i] * along[j])
