"""Where each star of a sweep lies in each frame: the chart's map, refined by the star's own phase."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart import ChartTrack, map_points
from shimwise.imaging.layout import Star
from shimwise.imaging.lock import (
    Lock,
    centre_by_frame,
    find_centre,
    fit_lock,
    locked_modulation,
    sharp_frames,
)
from shimwise.imaging.meter import Crop
from shimwise.imaging.star import SECTORS, Cells, RingPlan, plan_rings, solve_cells, sum_star

__all__ = ["ChartMap", "StarMeasure", "measure_star"]

FloatArray = NDArray[np.float64]

MIN_COHERENCE = 0.6
PASSES = 2


@dataclass(frozen=True, slots=True)
class ChartMap:
    """Map from sheet mm to px at every frame, from marker tracks or fixed by a start.

    ``coordinate`` is the swept coordinate scaled to ±1 over the sweep.
    """

    coordinate: FloatArray
    track: ChartTrack | None
    fixed: FloatArray | None

    def to_px(self, coordinate: float) -> FloatArray:
        """Homography (3, 3) from mm to px at a coordinate."""
        if self.track is not None and sum(map(len, self.track.corners_px.values())) >= 4:
            return self.track.homography(coordinate)
        if self.fixed is None:
            raise ImagingError("No map from the sheet to the picture: markers and start are both missing.")
        return self.fixed


@dataclass(frozen=True, slots=True)
class StarMeasure:
    """One star through the sweep.

    ``sectors`` is the signed modulation (frames, rings, 16) and ``pixels`` its weight; ``noise`` the pixel
    noise as a share of the mean by frame; ``left_mm`` and ``left_variance`` what each frame's
    centre is off its track. ``growth`` is ln of the map's scale in each frame by its scale in the middle one:
    by it the frequencies that the rings have at the sensor fall.
    """

    star: Star
    plan: RingPlan
    lock: Lock
    cells: Cells
    sectors: FloatArray
    pixels: FloatArray
    noise: FloatArray
    saturated_share: float
    black_share: float
    left_mm: FloatArray
    left_variance: FloatArray
    px_per_mm: float
    to_px: FloatArray
    drift_px: FloatArray
    sharpest: int
    growth: FloatArray

    @property
    def centre_px(self) -> FloatArray:
        """Centre of the star in the picture at the reference coordinate."""
        return map_points(self.to_px, np.zeros(2))

    @property
    def centre_sd_px(self) -> float:
        """Standard uncertainty of the centre in either direction, px."""
        return self.lock.sd_mm * self.px_per_mm

    def ring_modulation(self) -> FloatArray:
        """Mean over sectors, (frames, rings)."""
        total = np.maximum(np.sum(self.pixels, axis=2), 1.0)
        return np.asarray(np.sum(self.sectors * self.pixels, axis=2) / total, dtype=np.float64)


def measure_star(
    star: Star,
    crops: list[Crop],
    chart: ChartMap,
    *,
    reference: float,
    pitch_um: float,
    blur_px: float,
    white: float,
    black: float,
    sharpest: int | None = None,
) -> StarMeasure:
    """Lock on a star and measure its cells in every frame.

    Parameters
    ----------
    star : Star
        The star on the sheet.
    crops : list of Crop
        Its surroundings in every frame.
    chart : ChartMap
        Map from sheet to picture.
    reference : float
        Coordinate at which the centre is told.
    pitch_um, blur_px : float
        Pixel pitch, µm; radius of the largest blur disc, px.
    white, black : float
        Values at which pixels are clipped.
    sharpest : int, optional
        A frame known to be near the peak, from another star.

    Raises
    ------
    ImagingError
        When the star is too small, not in the picture, or its spokes do not agree with the layout.
    """
    shift = np.eye(3)
    shift[:2, 2] = star.centre_mm
    maps = [chart.to_px(float(u)) @ shift for u in chart.coordinate]
    scale = _scale(maps[len(maps) // 2])
    plan = plan_rings(star, px_per_mm=scale, pitch_um=pitch_um, blur_px=blur_px)
    runs = chart.coordinate.size >= 3
    frames = np.arange(chart.coordinate.size)
    lock = Lock(0.0, np.zeros(2), np.zeros(2), np.zeros(2), np.zeros((frames.size, 2)), 0.0, 0.0)
    few = frames[:: max(1, frames.size // 10)] if sharpest is None else _near(frames, sharpest, 5)[::2]
    rough, *_ = _cells(crops, maps, few, plan, lock, chart.coordinate, white, black)
    middle = int(few[int(np.argmax(_power(rough)))])
    for turn in range(PASSES):
        use = _near(frames, middle, 3 if turn == 0 else 5)
        cells, *_ = _cells(crops, maps, use, plan, lock, chart.coordinate, white, black)
        if turn == 0:
            offset, _ = find_centre(cells, int(np.argmax(_power(cells))), plan)
            lock = replace(lock, offset_mm=offset)
            cells, *_ = _cells(crops, maps, use, plan, lock, chart.coordinate, white, black)
        found = _seeded(cells, chart.coordinate[use], plan)
        _refuse_stranger(star, found)
        lock = _added(lock, found)
    cells, saturated, blackened = _cells(crops, maps, frames, plan, lock, chart.coordinate, white, black)
    rest = Lock(lock.phase_rad, np.zeros(2), np.zeros(2), np.zeros(2), np.zeros((frames.size, 2)), 0.0, 0.0)
    rest = fit_lock(cells, chart.coordinate, plan, rest, drift=False, all_frames=False)
    rest = fit_lock(cells, chart.coordinate, plan, rest, drift=runs, all_frames=True)
    left, variance = centre_by_frame(cells, chart.coordinate, plan, rest)
    total = _added(lock, rest)
    pixels = np.maximum(np.sum(cells.pixels, axis=(1, 2)), 1.0)
    to_px = chart.to_px(reference) @ shift @ _placed(total, reference)
    ahead = chart.to_px(reference + 1.0) @ shift @ _placed(total, reference + 1.0)
    return StarMeasure(
        star=star,
        plan=plan,
        lock=rest,
        cells=cells,
        sectors=locked_modulation(cells, chart.coordinate, plan, rest),
        pixels=cells.pixels,
        noise=cells.noise,
        saturated_share=float(np.max(saturated / pixels)),
        black_share=float(np.max(blackened / pixels)),
        left_mm=left,
        left_variance=variance,
        px_per_mm=scale,
        growth=np.log([_scale(to_px) / scale for to_px in maps]),
        sharpest=int(np.argmax(_power(cells))),
        to_px=to_px,
        drift_px=map_points(ahead, np.zeros(2)) - map_points(to_px, np.zeros(2)),
    )


def with_wander(measure: StarMeasure, wander_mm: FloatArray, coordinate: FloatArray) -> StarMeasure:
    """Measure again with each frame's own place, where the picture was seen to jump."""
    lock = replace(measure.lock, wander_mm=wander_mm)
    return replace(
        measure, lock=lock, sectors=locked_modulation(measure.cells, coordinate, measure.plan, lock)
    )


def _cells(
    crops: list[Crop],
    maps: list[FloatArray],
    use: NDArray[np.intp],
    plan: RingPlan,
    lock: Lock,
    coordinate: FloatArray,
    white: float,
    black: float,
) -> tuple[Cells, FloatArray, FloatArray]:
    sums = np.empty((use.size, plan.count, SECTORS, 10))
    saturated, blackened = np.zeros(use.size), np.zeros(use.size)
    for k, i in enumerate(use):
        to_star = np.linalg.inv(maps[i] @ _placed(lock, float(coordinate[i])))
        crop = crops[i]
        out = sum_star(
            crop.pixels, left=crop.left, top=crop.top, to_star=to_star, plan=plan, white=white, black=black
        )
        sums[k], saturated[k], blackened[k] = out.sums, out.saturated, out.black
    return solve_cells(sums), saturated, blackened


def _seeded(cells: Cells, coordinate: FloatArray, plan: RingPlan) -> Lock:
    """Fit the sharp frames from a phase read off the sharpest."""
    sharpest = int(np.argmax(_power(cells)))
    phase = float(np.angle(np.sum(cells.pixels[sharpest] * cells.modulation[sharpest])))
    zero = np.zeros(2)
    start = Lock(phase, zero, zero, zero, np.zeros((coordinate.size, 2)), 0.0, 0.0)
    runs = sharp_frames(cells).size >= 4
    return fit_lock(cells, coordinate, plan, start, drift=runs, all_frames=False)


def _placed(lock: Lock, coordinate: float) -> FloatArray:
    """Sheet about the star's true centre, unstretched, to sheet about its assumed centre."""
    e, g = lock.stretch[0], -lock.stretch[1]
    stretch = np.array([[1.0 + e, g, 0.0], [g, 1.0 - e, 0.0], [0.0, 0.0, 1.0]])
    move = np.eye(3)
    move[:2, 2] = lock.offset_mm + coordinate * lock.drift_mm
    return move @ np.linalg.inv(stretch)


def _added(lock: Lock, more: Lock) -> Lock:
    return replace(
        more,
        offset_mm=lock.offset_mm + more.offset_mm,
        drift_mm=lock.drift_mm + more.drift_mm,
        stretch=lock.stretch + more.stretch,
    )


def _refuse_stranger(star: Star, lock: Lock) -> None:
    if lock.coherence < MIN_COHERENCE:
        raise ImagingError(
            f"Star {star.id}: only {lock.coherence:.0%} of its modulation agrees with {star.spokes} "
            f"spokes at that place; "
            f"check the layout, or that the star is in the picture and sharp in some frame."
        )


def _power(cells: Cells) -> FloatArray:
    return np.asarray(np.sum(cells.pixels * np.abs(cells.modulation) ** 2, axis=(1, 2)), dtype=np.float64)


def _near(frames: NDArray[np.intp], middle: int, count: int) -> NDArray[np.intp]:
    first = int(np.clip(middle - count // 2, 0, max(frames.size - count, 0)))
    return frames[first : first + count]


def _scale(to_px: FloatArray) -> float:
    """Pixels per mm at the origin of a map: the root of its area factor."""
    step = 1e-3 * np.array([[1.0, 0.0], [0.0, 1.0]])
    origin = map_points(to_px, np.zeros(2))
    columns = (map_points(to_px, step) - origin) / 1e-3
    return float(np.sqrt(abs(np.linalg.det(columns))))
