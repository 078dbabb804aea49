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
from dataclasses import asdict, replace
from functools import lru_cache
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from .camera import Camera
from .focus_stack import TAPS, FocusStack, clip
from .layout import MARKER_DICTIONARY, Element, Marker, Star
from .rendering import Box, Rendering
from .spec import NOISE_ELECTRONS, WHITE, Sweep, SweepSpec, band_shift_um, chart_elements

__all__ = [
    "NOISE_ELECTRONS",
    "WHITE",
    "Camera",
    "ExactStar",
    "FocusStack",
    "Simulator",
    "Sweep",
    "SweepSpec",
    "band_shift_um",
    "render_sweep",
]

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]


class Simulator:
    """Renders the noise-free stacks of a spec once, then as many sweeps of it as wanted."""

    def __init__(self, spec: SweepSpec) -> None:
        self.spec = spec
        self.camera = Camera(spec)
        self.elements = [] if spec.texture else chart_elements(spec)
        moved = np.random.default_rng(spec.print_seed).normal(0.0, 1.0, (len(self.elements), 2))
        self.printed = [_moved(e, spec.print_error_mm * d) for e, d in zip(self.elements, moved, strict=True)]
        self.stacks = [self._stack(element) for element in (["texture"] if spec.texture else self.printed)]

    def clean_frame(self, position_um: float, *, gain: float = 1.0) -> Picture:
        """Noise-free linear frame with the sensor at a position. [0 black, 1 full scale]."""
        white = WHITE * gain
        black = white * (1.0 - self.spec.contrast) / (1.0 + self.spec.contrast)
        frame = np.full((self.spec.height, self.spec.width), white, dtype=np.float32)
        for stack in self.stacks:
            rows, columns, picture = clip(stack, self.spec, stack.at(position_um))
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
            rows, columns, _ = clip(stack, self.spec, stack.planes[0])
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
        markers = [e for e in self.elements if isinstance(e, Marker)]
        place = {e.name: [e.x_mm, e.y_mm] for e in self.elements}
        return {
            "unit": "mm",
            "stars": [
                {"id": s.name, "centre_mm": place[s.name], "radius_mm": s.radius_mm, "spokes": s.spokes}
                for s in stars
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
        box = Box.around(element, self.camera)
        middle = float(self.camera.best_um(*box.middle_px))
        best = self.camera.best_um(*np.meshgrid(box.x_px, box.y_px)).astype(np.float32)
        reach = spec.range_um + 0.5 * spec.step_um + 5.0 * spec.jitter_um + (TAPS + 1) * spacing
        low, high = -reach - float(best.max()), reach - float(best.min())
        low = spacing * np.floor(low / spacing)  # all elements share the planes, and so the lens's transfer
        count = int(np.ceil((high - low) / spacing)) + 1
        pictures = np.empty((count, box.size, box.size), dtype=np.float32)
        rendering = Rendering(box, self.camera)
        for k in range(count):
            pictures[k] = rendering.plane(low + k * spacing, middle)
        return FocusStack(box.left, box.top, low, spacing, pictures, best)


class ExactStar:
    """One star's noise-free frame, rendered anew at each sensor position (no tilt within it)."""

    def __init__(self, spec: SweepSpec) -> None:
        self.spec, camera = spec, Camera(spec)
        self.box = Box.around(chart_elements(spec)[0], camera)
        self.rendering = Rendering(self.box, camera)
        self.best_um = float(camera.best_um(*self.box.middle_px))

    def frame(self, position_um: float) -> Picture:
        """Linear frame with the sensor at a position. [0 black, 1 full scale]."""
        white, spec = WHITE, self.spec
        black = white * (1.0 - spec.contrast) / (1.0 + spec.contrast)
        frame = np.full((spec.height, spec.width), white, dtype=np.float32)
        picture = self.rendering.plane(position_um - self.best_um, self.best_um)
        inside = FocusStack(self.box.left, self.box.top, 0.0, 1.0, picture[None], picture)
        rows, columns, picture = clip(inside, spec, picture)
        frame[rows, columns] -= np.float32(white - black) * picture
        return frame


def render_sweep(spec: SweepSpec, seed: int) -> Sweep:
    """One sweep of a spec; the stacks of the last two specs are kept."""
    return _simulator(spec).sweep(seed)


@lru_cache(maxsize=2)
def _simulator(spec: SweepSpec) -> Simulator:
    return Simulator(spec)


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
