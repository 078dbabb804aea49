"""Through-focus sweeps of an invented chart, written from the physics and apart from the measuring code.

A frame is the chart's reflectance through the aberrated incoherent transfer of the lens and the square
pixel, sampled at pixel centres. Sensor position is + away from the lens, x right, y down, pixel centres at
whole numbers. Each element of the chart is a small picture of its own; a frame is white less their darkness,
exact because incoherent images add. Each is kept as a stack of noise-free planes over defocus, read between
planes by 8-point Lagrange interpolation pixel by pixel, so that tilt, curvature and position errors cost
nothing.

Noise: Gaussian with variance signal + read² in electrons (no Poisson skewness: 200 electrons at the least).
`low` 30000 electrons at full scale and 3 read, `medium` 8000 and 4, `high` 2500 and 6.

References
----------
.. [1] H. H. Hopkins (1955) and J. W. Goodman, *Introduction to Fourier Optics*: see :mod:`.transfer`.
.. [2] EMVA Standard 1288, the linear camera model: shot and read noise add in variance (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import Any, overload

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from .layout import MARKER_DICTIONARY, Element, Marker, Square, Star, lay_out
from .transfer import WAVELENGTH_UM, band_peak_um, pixel_transfer, transfer_table

__all__ = [
    "NOISE_ELECTRONS",
    "Camera",
    "ExactStar",
    "FocusStack",
    "Simulator",
    "Sweep",
    "SweepSpec",
    "band_shift_um",
    "render_sweep",
]

NOISE_ELECTRONS = {
    "none": (np.inf, 0.0),
    "low": (30000.0, 3.0),
    "medium": (8000.0, 4.0),
    "high": (2500.0, 6.0),
}
"""Electrons at full scale, read noise in electrons."""

WHITE = 0.7
"""Paper white as a share of full scale."""

_FINE = 4
_TABLE = 1 << 15
_TAPS = 8
_SCALE_NODES = 5

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True)
class SweepSpec:
    """A sweep to invent; tilt is best focus at the right (bottom) edge less the left (top) one."""

    width: int = 448
    height: int = 448
    pitch_um: float = 5.0
    fnumber: float = 2.8
    focal_mm: float = 50.0
    magnification: float = 0.02
    wavelengths_um: tuple[float, ...] = (WAVELENGTH_UM,)
    step_um: float = 10.0
    range_um: float = 100.0
    best_um: float = 0.0
    phase: bool = True
    """Shift the whole row of positions by a random part of a step, so that no sampling is lucky."""
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0
    curvature_um: float = 0.0
    w040_waves: float = 0.0
    noise: str = "medium"
    jitter_um: float = 0.0
    flicker: float = 0.0
    stars: int = 1
    star_px: float = 320.0
    small_star_px: float = 200.0
    spokes: int = 72
    small_spokes: int = 48
    binary: bool = False
    contrast: float = 0.8
    edges: bool = False
    markers: bool = False
    offset_px: tuple[float, float] = (0.37, -0.21)
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.35
    exit_pupil_mm: float | None = None
    barrel: float = 0.0
    """Radial distortion at the corner as a share of its radius, + draws the corner in."""
    print_error_mm: float = 0.0
    """Standard deviation of each element's place on the sheet, each axis."""
    texture: bool = False
    """A random texture instead of the chart: no stars, edges or markers."""
    print_seed: int = 7
    quiet_paper: bool = False
    """Leave the paper between the elements without noise: nothing is measured there, and it is quick."""

    @property
    def frames(self) -> int:
        """Number of frames."""
        return 2 * round(self.range_um / self.step_um) + 1


@dataclass(frozen=True)
class Sweep:
    """Frames with what is known of them and the truth.

    `frames` are linear, black 0 and full scale 1, float32 (height, width), each rendered anew whenever it is
    taken, the same every time. `meta` and `chart` have the form of sweep.json and chart.json.
    """

    frames: Sequence[Picture]
    meta: dict[str, Any]
    chart: dict[str, Any]
    truth: dict[str, Any]

    @property
    def positions_um(self) -> Floats:
        """Recorded positions, µm."""
        return np.array([frame["position_um"] for frame in self.meta["frames"]])


@dataclass(frozen=True)
class Camera:
    """Where a point of the chart falls on the sensor, and where it is sharp: a pinhole with a thin lens."""

    spec: SweepSpec

    @property
    def centre_px(self) -> Floats:
        """Centre of the frame, px."""
        return np.array([(self.spec.width - 1) / 2, (self.spec.height - 1) / 2])

    @property
    def distance_mm(self) -> float:
        """Chart to front principal plane, mm."""
        return self.spec.focal_mm * (1.0 + 1.0 / self.spec.magnification)

    @property
    def homography(self) -> Floats:
        """Chart mm to px at sensor position 0, before distortion; last row in mm."""
        spec = self.spec
        image_px = self.distance_mm * spec.magnification * 1e3 / spec.pitch_um
        lens = np.array([[image_px, 0, 0], [0, image_px, 0], [0, 0, 1.0]])
        turn = self._rotation()
        aside_mm = np.array(spec.offset_px) * self.distance_mm / image_px
        place = np.column_stack([turn[:, 0], turn[:, 1], [*aside_mm, self.distance_mm]])
        shift = np.eye(3)
        shift[:2, 2] = self.centre_px
        return np.asarray(shift @ lens @ place, dtype=float)

    def to_px(self, chart_mm: ArrayLike, scale: float = 1.0) -> Floats:
        """Pixel of chart points (..., 2), the picture larger by `scale` about the frame's centre."""
        points = np.asarray(chart_mm, dtype=float)
        mapped = np.concatenate([points, np.ones((*points.shape[:-1], 1))], axis=-1) @ self.homography.T
        return self._distort(mapped[..., :2] / mapped[..., 2:], scale)

    def to_chart(self, x_px: Floats, y_px: Floats, scale: float = 1.0) -> tuple[Floats, Floats]:
        """Chart point, mm, of pixels: the inverse of :meth:`to_px`."""
        x_px, y_px = self._undistort(x_px, y_px, scale)
        inverse = np.linalg.inv(self.homography)
        u, v, w = (row[0] * x_px + row[1] * y_px + row[2] for row in inverse)
        return u / w, v / w

    def scale(self, position_um: float) -> float:
        """Size of the picture at a sensor position, 1 at 0: the exit pupil throws it."""
        if self.spec.exit_pupil_mm is None:
            return 1.0
        return 1.0 + position_um * 1e-3 / self.spec.exit_pupil_mm

    def best_um(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Sensor position of paraxial best focus at a pixel: tilt, curvature and the chart's turn."""
        spec, (cx, cy) = self.spec, self.centre_px
        x, y = np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float)
        field_squared = ((x - cx) ** 2 + (y - cy) ** 2) / ((spec.width**2 + spec.height**2) / 4)
        sensor = spec.tilt_x_um * (x - cx) / spec.width + spec.tilt_y_um * (y - cy) / spec.height
        field = sensor + spec.curvature_um * field_squared
        return np.asarray(spec.best_um + field + self.chart_part_um(x, y), dtype=float)

    def chart_part_um(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Share of best focus that the chart's own turn makes: thin-lens image distance less the centre's."""
        x, y = np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float)
        turn, f = self._rotation(), self.spec.focal_mm
        chart_x, chart_y = self.to_chart(x, y)
        depth = self.distance_mm + turn[2, 0] * chart_x + turn[2, 1] * chart_y
        centre = f * self.distance_mm / (self.distance_mm - f)
        return np.asarray(1e3 * (f * depth / (depth - f) - centre), dtype=float)

    def _rotation(self) -> Floats:
        yaw, pitch, roll = np.deg2rad([self.spec.yaw_deg, self.spec.pitch_deg, self.spec.roll_deg])
        about_y = np.array([[np.cos(yaw), 0, -np.sin(yaw)], [0, 1, 0], [np.sin(yaw), 0, np.cos(yaw)]])
        about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
        about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        return np.asarray(about_y @ about_x @ about_z, dtype=float)

    def _distort(self, px: Floats, scale: float) -> Floats:
        away = px - self.centre_px
        corner = (self.spec.width**2 + self.spec.height**2) / 4
        drawn = 1.0 - self.spec.barrel * np.sum(away**2, axis=-1, keepdims=True) / corner
        return np.asarray(self.centre_px + scale * drawn * away, dtype=float)

    def _undistort(self, x_px: Floats, y_px: Floats, scale: float) -> tuple[Floats, Floats]:
        cx, cy = self.centre_px
        x, y = (x_px - cx) / scale, (y_px - cy) / scale
        corner = (self.spec.width**2 + self.spec.height**2) / 4
        drawn: Any = 1.0
        if self.spec.barrel:
            squared = (x**2 + y**2) / corner
            drawn = np.ones_like(squared)
            for _ in range(12):
                drawn = 1.0 - self.spec.barrel * squared / drawn**2
        return cx + x / drawn, cy + y / drawn


@dataclass
class FocusStack:
    """Noise-free darkness of one element over defocus, at whole pixels of a box of the frame."""

    left: int
    top: int
    first_um: float
    spacing_um: float
    planes: Picture
    best_um: Picture
    """Paraxial best focus of each pixel of the box."""

    def at(self, position_um: float) -> Picture:
        """Darkness with the sensor at a position, µm; error below 1e-5 of full darkness."""
        out = np.empty(self.planes.shape[1:], dtype=np.float32)
        reach = (self.planes.shape[0] - _TAPS // 2 - 1) * self.spacing_um + self.first_um
        defocus = position_um - self.best_um
        if defocus.min() < self.first_um + 3 * self.spacing_um or defocus.max() > reach:
            raise ValueError(f"sensor position {position_um} µm lies outside the rendered stack")
        _read_stack(self.planes, defocus, self.first_um, self.spacing_um, out)
        return out


class Simulator:
    """Renders the noise-free stacks of a spec once, then as many sweeps of it as wanted."""

    def __init__(self, spec: SweepSpec) -> None:
        self.spec = spec
        self.camera = Camera(spec)
        self.elements = [] if spec.texture else _elements(spec)
        moved = np.random.default_rng(spec.print_seed).normal(0.0, 1.0, (len(self.elements), 2))
        self.printed = [_moved(e, spec.print_error_mm * d) for e, d in zip(self.elements, moved, strict=True)]
        self.stacks = [self._stack(element) for element in (["texture"] if spec.texture else self.printed)]

    def clean_frame(self, position_um: float, *, gain: float = 1.0) -> Picture:
        """Noise-free linear frame with the sensor at a position. [0 black, 1 full scale]."""
        white = WHITE * gain
        black = white * (1.0 - self.spec.contrast) / (1.0 + self.spec.contrast)
        frame = np.full((self.spec.height, self.spec.width), white, dtype=np.float32)
        for stack in self.stacks:
            rows, columns, picture = _clip(stack, self.spec, stack.at(position_um))
            frame[rows, columns] -= np.float32(white - black) * picture
        return frame

    def sweep(self, seed: int) -> Sweep:
        """Make a sweep; the seed fixes noise, position errors, flicker and the phase of the positions."""
        recorded, true, gains = self._positions(np.random.default_rng([seed, 0]))
        frames = _Frames(self, seed, true, gains)
        return Sweep(frames, self.meta(recorded), self.chart(), self.truth(true, gains))

    def noisy(self, frame: Picture, rng: np.random.Generator) -> Picture:
        """Add shot and read noise, in place where the paper is left quiet."""
        if not self.spec.quiet_paper:
            return self._noisy(frame, rng)
        for stack in self.stacks:
            rows, columns, _ = _clip(stack, self.spec, stack.planes[0])
            frame[rows, columns] = self._noisy(frame[rows, columns], rng)
        return frame

    def _noisy(self, frame: Picture, rng: np.random.Generator) -> Picture:
        full, read = NOISE_ELECTRONS[self.spec.noise]
        if not np.isfinite(full):
            return frame
        sd = np.sqrt(frame / full + (read / full) ** 2, dtype=np.float32)
        return np.asarray(frame + sd * rng.standard_normal(frame.shape, dtype=np.float32))

    def _positions(self, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
        spec = self.spec
        half = (spec.frames - 1) // 2
        shift = rng.uniform(-0.5, 0.5) if spec.phase else 0.0
        recorded: Floats = spec.step_um * (np.arange(-half, half + 1) + shift).astype(float)
        true = recorded - spec.jitter_um * rng.standard_normal(recorded.size)
        gains = 1.0 + spec.flicker * rng.standard_normal(recorded.size)
        return recorded, true.astype(float), gains.astype(float)

    def meta(self, recorded_um: Floats) -> dict[str, Any]:
        """Say what sweep.json would."""
        spec = self.spec
        frames = [
            {"file": f"frames/frame_{k:04d}.png", "position_um": float(p)} for k, p in enumerate(recorded_um)
        ]
        return {
            "frames": frames,
            "width": spec.width,
            "height": spec.height,
            "pitch_um": spec.pitch_um,
            "fnumber": spec.fnumber,
            "focal_mm": spec.focal_mm,
            "transfer": "linear",
            "bit_depth": 12,
            "left_shift": 4,
            "black_level": 1024,
            "white_level": 65520,
            "swept": "sensor position, + away from the lens",
            "chart": "chart.json",
            "wavelength_um": list(spec.wavelengths_um),
        }

    def chart(self) -> dict[str, Any]:
        """Say what chart.json would: the layout as meant, before any error of the print."""
        stars = [e for e in self.elements if isinstance(e, Star)]
        squares = [e for e in self.elements if isinstance(e, Square)]
        markers = [e for e in self.elements if isinstance(e, Marker)]
        place = {e.name: [e.x_mm, e.y_mm] for e in self.elements}
        return {
            "unit": "mm",
            "stars": [
                {"id": s.name, "centre_mm": place[s.name], "radius_mm": s.radius_mm, "spokes": s.spokes}
                for s in stars
            ],
            "edges": [
                {"id": s.name, "centre_mm": place[s.name], "side_mm": s.side_mm, "angle_deg": s.angle_deg}
                for s in squares
            ],
            "markers": [
                {
                    "id": m.number,
                    "centre_mm": place[m.name],
                    "side_mm": m.side_mm,
                    "corners_mm": m.corners_mm.tolist(),
                }
                for m in markers
            ],
            "marker_dictionary": MARKER_DICTIONARY,
            "contrast": self.spec.contrast,
            "star_kind": "binary" if self.spec.binary else "sinusoidal",
        }

    def truth(self, true_um: Floats, gains: Floats) -> dict[str, Any]:
        """Tell the truth, best focus as the peak of the mean transfer over 20–62 cycles/mm."""
        spec, band = self.spec, band_shift_um(self.spec)
        stars = [e for e in self.printed if isinstance(e, Star)]
        px = [self.camera.to_px([s.x_mm, s.y_mm]) for s in stars]
        centre = self.camera.centre_px
        return {
            "arguments": asdict(spec),
            "best_um": float(self.camera.best_um(*centre)) + band,
            "paraxial_um": float(self.camera.best_um(*centre)),
            "band_shift_um": band,
            "tilt_x_um": spec.tilt_x_um,
            "tilt_y_um": spec.tilt_y_um,
            "curvature_um": spec.curvature_um,
            "true_positions_um": true_um.tolist(),
            "gain": gains.tolist(),
            "chart_yaw_deg": spec.yaw_deg,
            "chart_pitch_deg": spec.pitch_deg,
            "chart_roll_deg": spec.roll_deg,
            "magnification": spec.magnification,
            "object_distance_mm": self.camera.distance_mm,
            "homography_mm_to_px": self.camera.homography.tolist(),
            "stars": [
                {
                    "id": s.name,
                    "px": p.tolist(),
                    "best_um": float(self.camera.best_um(*p)) + band,
                    "chart_part_um": float(self.camera.chart_part_um(*p)),
                }
                for s, p in zip(stars, px, strict=True)
            ],
        }

    def _stack(self, element: Element | str) -> FocusStack:
        spec = self.spec
        spacing = min(0.5 * spec.fnumber**2, 8.0)
        box = _Box.around(element, self)
        middle = float(self.camera.best_um(*box.middle_px))
        best = self.camera.best_um(*np.meshgrid(box.x_px, box.y_px)).astype(np.float32)
        reach = spec.range_um + 0.5 * spec.step_um + 5.0 * spec.jitter_um + (_TAPS + 1) * spacing
        low, high = -reach - float(best.max()), reach - float(best.min())
        count = int(np.ceil((high - low) / spacing)) + 1
        pictures = np.empty((count, box.size, box.size), dtype=np.float32)
        rendering = _Rendering(box, self)
        for k in range(count):
            pictures[k] = rendering.plane(low + k * spacing, middle)
        return FocusStack(box.left, box.top, low, spacing, pictures, best)


class ExactStar:
    """One star's noise-free frame, rendered anew at each sensor position (no tilt within it)."""

    def __init__(self, spec: SweepSpec) -> None:
        plain = Simulator.__new__(Simulator)
        plain.spec, plain.camera = spec, Camera(spec)
        self.spec = spec
        self.box = _Box.around(_elements(spec)[0], plain)
        self.rendering = _Rendering(self.box, plain)
        self.best_um = float(plain.camera.best_um(*self.box.middle_px))

    def frame(self, position_um: float) -> Picture:
        """Linear frame with the sensor at a position. [0 black, 1 full scale]."""
        white, spec = WHITE, self.spec
        black = white * (1.0 - spec.contrast) / (1.0 + spec.contrast)
        frame = np.full((spec.height, spec.width), white, dtype=np.float32)
        picture = self.rendering.plane(position_um - self.best_um, self.best_um)
        inside = FocusStack(self.box.left, self.box.top, 0.0, 1.0, picture[None], picture)
        rows, columns, picture = _clip(inside, spec, picture)
        frame[rows, columns] -= np.float32(white - black) * picture
        return frame


def render_sweep(spec: SweepSpec, seed: int) -> Sweep:
    """One sweep of a spec; the stacks of the last two specs are kept."""
    return _simulator(spec).sweep(seed)


@lru_cache(maxsize=2)
def _simulator(spec: SweepSpec) -> Simulator:
    return Simulator(spec)


def band_shift_um(spec: SweepSpec) -> float:
    """Peak of the mean transfer over 20–62 cycles/mm less the paraxial focus. [µm, + away from the lens]."""
    if spec.w040_waves == 0.0:
        return 0.0
    return _band_shift(spec.fnumber, spec.w040_waves, spec.wavelengths_um)


@lru_cache(maxsize=64)
def _band_shift(fnumber: float, w040_waves: float, wavelengths_um: tuple[float, ...]) -> float:
    return band_peak_um(fnumber=fnumber, w040_waves=w040_waves, wavelengths_um=wavelengths_um)


def _elements(spec: SweepSpec) -> list[Element]:
    mm = spec.pitch_um * 1e-3 / spec.magnification
    return lay_out(
        spec.width * mm,
        spec.height * mm,
        stars=spec.stars,
        star_mm=spec.star_px * mm,
        small_star_mm=spec.small_star_px * mm,
        spokes=spec.spokes,
        small_spokes=spec.small_spokes,
        binary=spec.binary,
        edges=spec.edges,
        markers=spec.markers,
        marker_mm=max(45.0, 0.045 * spec.width) * mm,
    )


def _moved(element: Element, by_mm: Floats) -> Element:
    return replace(element, x_mm=element.x_mm + by_mm[0], y_mm=element.y_mm + by_mm[1])


class _Frames(Sequence[Picture]):
    """Frames of a sweep, each rendered when it is asked for, so that a sweep takes the memory of one."""

    def __init__(self, simulator: Simulator, seed: int, true_um: Floats, gains: Floats) -> None:
        self.simulator, self.seed, self.true_um, self.gains = simulator, seed, true_um, gains

    def __len__(self) -> int:
        return len(self.true_um)

    @overload
    def __getitem__(self, index: int) -> Picture: ...
    @overload
    def __getitem__(self, index: slice) -> list[Picture]: ...
    def __getitem__(self, index: int | slice) -> Picture | list[Picture]:
        if isinstance(index, slice):
            return [self[k] for k in range(*index.indices(len(self)))]
        clean = self.simulator.clean_frame(float(self.true_um[index]), gain=float(self.gains[index]))
        return self.simulator.noisy(clean, np.random.default_rng([self.seed, 1 + index % len(self)]))


@dataclass
class _Box:
    """A square of the frame that holds one element with its blur."""

    left: int
    top: int
    size: int
    element: Element | str

    @classmethod
    def around(cls, element: Element | str, simulator: Simulator) -> _Box:
        spec, camera = simulator.spec, simulator.camera
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
        return self.left + np.arange(self.size, dtype=float)

    @property
    def y_px(self) -> Floats:
        return self.top + np.arange(self.size, dtype=float)

    @property
    def middle_px(self) -> tuple[float, float]:
        return self.left + self.size / 2, self.top + self.size / 2


class _Rendering:
    """One element's spectrum on the fine grid, filtered and folded to pixels plane by plane."""

    def __init__(self, box: _Box, simulator: Simulator) -> None:
        self.box, self.simulator = box, simulator
        self.fine = box.size * _FINE
        self.blur_px = 0.5 / _FINE
        spec, camera = simulator.spec, simulator.camera
        if spec.exit_pupil_mm is None or isinstance(box.element, str):
            self.nodes = np.array([1.0])
        else:
            ends = [camera.scale(s * (spec.range_um + spec.step_um + 60.0)) for s in (-1, 1)]
            turn = np.cos(np.pi * (np.arange(_SCALE_NODES) + 0.5) / _SCALE_NODES)
            self.nodes = np.mean(ends) + 0.5 * (ends[1] - ends[0]) * turn
        self.spectra = [self._spectrum(float(scale)) for scale in self.nodes]

    def plane(self, defocus_um: float, middle_best_um: float) -> Picture:
        spec = self.simulator.spec
        table = transfer_table(
            _TABLE,
            _FINE / np.sqrt(2.0) * 1.001,
            defocus_um,
            pitch_um=spec.pitch_um,
            fnumber=spec.fnumber,
            wavelengths_um=spec.wavelengths_um,
            w040_waves=spec.w040_waves,
        )
        spectrum = self._at_scale(self.simulator.camera.scale(defocus_um + middle_best_um))
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
        element, camera = self.box.element, self.simulator.camera
        home = camera.to_px([element.x_mm, element.y_mm])  # type: ignore[union-attr]
        shift = camera.to_px([element.x_mm, element.y_mm], scale) - home  # type: ignore[union-attr]
        frequency = fft.fftfreq(self.fine, 1.0 / _FINE)
        turn_x, turn_y = (np.exp(-2j * np.pi * frequency * s).astype(np.complex64) for s in shift)
        total *= turn_y[:, None]
        total *= turn_x[None, :]
        return total

    def _spectrum(self, scale: float) -> NDArray[np.complex64]:
        """Spectrum of the element, held at its place at scale 1 whatever the scale."""
        element, camera = self.box.element, self.simulator.camera
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
        camera, at = self.simulator.camera, np.array([element.x_mm, element.y_mm])
        step = 1e-3 * np.eye(2)
        columns = [(camera.to_px(at + s, scale) - camera.to_px(at - s, scale)) / 2e-3 for s in step]
        return float(np.sqrt(abs(np.linalg.det(np.column_stack(columns)))))

    def _texture_spectrum(self) -> NDArray[np.complex64]:
        """Random darkness with a 1/f spectrum up to 0.35 cycles/pixel, fixed by the print's seed."""
        rng = np.random.default_rng(self.simulator.spec.print_seed)
        fx = fft.fftfreq(self.fine, 1.0 / _FINE)
        radius = np.hypot(fx[None, :], fx[:, None])
        shape = np.where((radius > 0.004) & (radius < 0.35), 1.0 / np.maximum(radius, 1e-6), 0.0)
        noise = fft.ifft2(fft.fft2(rng.standard_normal(radius.shape)) * shape).real
        darkness = np.clip(0.5 + 0.16 * noise / noise.std(), 0.0, 1.0)
        spectrum = fft.fft2(darkness.astype(np.float32)) * (radius < 0.9)
        return (spectrum * np.exp(-2.0 * np.pi**2 * self.blur_px**2 * radius**2)).astype(np.complex64)


def _clip(stack: FocusStack, spec: SweepSpec, picture: Picture) -> tuple[slice, slice, Picture]:
    """Cut a box down to the part that lies on the sensor."""
    top, left = max(stack.top, 0), max(stack.left, 0)
    bottom = min(stack.top + picture.shape[0], spec.height)
    right = min(stack.left + picture.shape[1], spec.width)
    inside = picture[top - stack.top : bottom - stack.top, left - stack.left : right - stack.left]
    return slice(top, bottom), slice(left, right), inside


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


@njit(cache=True)
def _read_stack(planes, defocus, first, spacing, out):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
    """8-point Lagrange interpolation over defocus, each pixel at its own."""
    rows, columns = out.shape
    weights = np.empty(8)
    denominators = np.array([-5040.0, 720.0, -240.0, 144.0, -144.0, 240.0, -720.0, 5040.0])
    last, start = np.float32(3e38), 0
    for i in range(rows):
        for j in range(columns):
            if defocus[i, j] != last:
                last = defocus[i, j]
                place = (last - first) / spacing
                start = int(np.floor(place)) - 3
                t = place - start
                product = 1.0
                for k in range(8):
                    weights[k] = product / denominators[k]
                    product *= t - k
                product = 1.0
                for k in range(7, -1, -1):
                    weights[k] *= product
                    product *= t - k
            total = 0.0
            for k in range(8):
                total += weights[k] * planes[start + k, i, j]
            out[i, j] = total
