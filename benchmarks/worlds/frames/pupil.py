"""Point spread functions by transforming the pupil, and best focus by a named criterion.

The picture of a point is |FFT(pupil)|² (Goodman, ch. 6). The pupil is sampled finely enough that the whole
blur fits into the window; its rim is weighted by area. What reaches the picture is kept as a small kernel on
a grid finer than the pixels, low-passed at that grid's own limit.

Kernels are formed at nodes along z and interpolated between them by six-point Lagrange weights. The node step
grows as N² because a cone's edge turns by 2π (1 − cos U) / λ per µm; the tests check that interpolation moves
the peak by less than 2 nm.
"""

from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from benchmarks.worlds.frames.optics import LUMA, Lens

BAND_CY_MM = (20.0, 62.0)
"""Band of the truth: best focus is where the mean modulation over it, in all directions, is highest."""

_EDGE_PARTS = 8
_NODE_UM_PER_N2 = 0.4


class Pupil:
    """The pupil of one wavelength at one place in the picture, ready to be defocused.

    Parameters
    ----------
    lens, field, wavelength_um
        Which lens, where, and which light.
    step_um, count
        Step and number of samples (even) of the kernel along each axis.
    """

    def __init__(
        self, lens: Lens, field: tuple[float, float], wavelength_um: float, *, step_um: float, count: int
    ) -> None:
        self.count = count
        window_um = step_um * count
        radius = lens.sin_edge / wavelength_um * window_um
        self.size = scipy.fft.next_fast_len(int(np.ceil(2 * radius + count / 2)) + 4)
        half = int(np.ceil(radius)) + 1
        ticks = np.arange(-half, half + 1)
        x, y = np.meshgrid(ticks / radius, ticks / radius)
        amplitude = _soft_rim(lens, field, x, y, 1 / radius)
        inside = amplitude > 0
        self._rows, self._columns = np.nonzero(inside)
        self._shape = x.shape
        self._amplitude = amplitude[inside]
        turn = 2 * np.pi / wavelength_um
        self._turn_per_um = turn * lens.focus_path(x, y)[inside]
        self._turn = turn * lens.aberration_um(x, y, field)[inside]

    def kernel(self, z_um: float) -> NDArray[np.float64]:
        """Return the point spread at a defocus, shape (count, count), its sum 1, its origin in the middle."""
        pupil = np.zeros(self._shape, dtype=complex)
        pupil[self._rows, self._columns] = self._amplitude * np.exp(
            1j * (self._turn + self._turn_per_um * z_um)
        )
        # Where the pupil lies in the array does not matter to the square of its transform.
        along = scipy.fft.fft(pupil, n=self.size, axis=1)
        wave = scipy.fft.fft(along, n=self.size, axis=0, overwrite_x=True)
        transfer = scipy.fft.rfft(wave.real**2 + wave.imag**2, axis=1)[:, : self.count // 2 + 1]
        middle = np.fft.fftfreq(self.count, 1 / self.count).astype(int)
        cut = scipy.fft.fft(transfer, axis=0)[middle]
        return np.asarray(np.fft.fftshift(scipy.fft.irfft2(cut / cut[0, 0].real, s=(self.count,) * 2)))


class Kernels:
    """Point spreads of one channel over defocus; nodes are formed when first needed and kept.

    Parameters
    ----------
    lens, channel, field
        Which lens, one of its channels (or ``"luma"``), and the place in the picture.
    step_um, count
        Step and number (even) of kernel samples along each axis.
    """

    def __init__(
        self, lens: Lens, channel: str, field: tuple[float, float], *, step_um: float, count: int
    ) -> None:
        self.step_um, self.count = step_um, count
        self.node_um = _NODE_UM_PER_N2 * lens.fnumber**2
        self._nodes: dict[int, NDArray[np.float32]] = {}
        self._parts = [
            (
                weight,
                lens.focus_of_wavelength_um(light),
                Pupil(lens, field, light, step_um=step_um, count=count),
            )
            for light, weight in channel_weights(lens, channel)
        ]

    def exact(self, z_um: float) -> NDArray[np.float64]:
        """Return the point spread formed at this very defocus, shape (count, count), its sum 1."""
        total = np.zeros((self.count, self.count))
        for weight, focus_um, pupil in self._parts:
            total += weight * pupil.kernel(z_um - focus_um)
        return total

    def at(self, z_um: float) -> NDArray[np.float32]:
        """Return the point spread interpolated between nodes, shape (count, count)."""
        place = z_um / self.node_um
        first = int(np.floor(place)) - 2
        weights = _lagrange(place - first)
        total = np.zeros((self.count, self.count), dtype=np.float32)
        for index, weight in enumerate(weights, start=first):
            total += np.float32(weight) * self._node(index)
        return total

    def _node(self, index: int) -> NDArray[np.float32]:
        if index not in self._nodes:
            self._nodes[index] = self.exact(index * self.node_um).astype(np.float32)
        return self._nodes[index]


@lru_cache(maxsize=64)
def kernels(lens: Lens, channel: str, field: tuple[float, float], *, step_um: float, count: int) -> Kernels:
    """Return the kept kernels of a lens, channel and place."""
    return Kernels(lens, channel, field, step_um=step_um, count=count)


def channel_weights(lens: Lens, channel: str) -> list[tuple[float, float]]:
    """Return (wavelength [µm], weight) of a channel, weights summing to 1; luma mixes all channels."""
    shares = LUMA if channel == "luma" else {channel: 1.0}
    parts = []
    for name, lights in lens.spectrum:
        total = sum(weight for _, weight in lights)
        parts += [(light, shares[name] * weight / total) for light, weight in lights if name in shares]
    if not parts:
        raise ValueError(f"The lens has no channel {channel!r}, only {', '.join(lens.channels)}")
    return parts


def modulation(
    kernel: NDArray[np.floating], step_um: float, frequencies_cy_mm: NDArray[np.float64], angle_rad: float
) -> NDArray[np.float64]:
    """Return a point spread's modulation along one direction, shape of the frequencies."""
    place_um = (np.arange(len(kernel)) - len(kernel) // 2) * step_um
    waves = -2j * np.pi * frequencies_cy_mm[:, None] * 1e-3 * place_um
    along_x, along_y = np.exp(waves * np.cos(angle_rad)), np.exp(waves * np.sin(angle_rad))
    return np.asarray(np.abs(np.einsum("fy,fy->f", along_y, along_x @ kernel.T)))


@lru_cache(maxsize=256)
def best_focus_um(
    lens: Lens,
    channel: str,
    field: tuple[float, float] = (0.0, 0.0),
    *,
    angles_deg: tuple[float, ...] = tuple(7.5 * i for i in range(24)),
) -> float:
    """Return the defocus of the highest mean modulation over the band [µm], curvature left out.

    Parameters
    ----------
    lens, channel, field
        Which lens, channel and place.
    angles_deg
        Directions of the waves that are averaged [degrees]: 0 is along x (vertical lines).
    """
    near_um, step_um = 6.0 * lens.fnumber**2 + abs(lens.colour_um), lens.fnumber**2
    held = Kernels(lens, channel, field, step_um=2.5, count=64)
    frequencies = np.arange(BAND_CY_MM[0], BAND_CY_MM[1] + 0.5, 3.0)

    def loss(z_um: float) -> float:
        kernel = held.exact(z_um)
        means = [modulation(kernel, 2.5, frequencies, angle).mean() for angle in np.radians(angles_deg)]
        return -float(np.mean(means))

    grid = np.arange(-near_um, near_um + 1e-9, step_um)
    start = grid[int(np.argmin([loss(z) for z in grid]))]
    bounds = (start - 1.5 * step_um, start + 1.5 * step_um)
    found = minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-5})
    return float(found.x)


def _soft_rim(
    lens: Lens, field: tuple[float, float], x: NDArray[np.float64], y: NDArray[np.float64], step: float
) -> NDArray[np.float64]:
    """Return the pupil's amplitude, averaged over each sample's square where the rim cuts it."""
    amplitude = lens.amplitude(x, y, field)
    corners = [
        lens.amplitude(x + i * step / 2, y + j * step / 2, field) > 0 for i in (-1, 1) for j in (-1, 1)
    ]
    cut = np.any(corners, axis=0) != np.all(corners, axis=0)
    parts = ((np.arange(_EDGE_PARTS) + 0.5) / _EDGE_PARTS - 0.5) * step
    around = [lens.amplitude(x[cut] + dx, y[cut] + dy, field) for dx in parts for dy in parts]
    amplitude[cut] = np.mean(around, axis=0)
    return amplitude


def _lagrange(place: float) -> list[float]:
    """Return the weights of six nodes 0 … 5 at a place between 2 and 3."""
    weights = []
    for i in range(6):
        others = [j for j in range(6) if j != i]
        weights.append(float(np.prod([(place - j) / (i - j) for j in others])))
    return weights
