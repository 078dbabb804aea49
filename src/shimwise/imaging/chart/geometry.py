"""Where each star of a sweep lies in each frame: the chart's map, refined by the star's own phase."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import Crop
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.chart.markers import ChartTrack, map_points
from shimwise.imaging.focus.ring_model import RingData
from shimwise.imaging.star.cells import SUMS, Cells, solve_cells, sum_star
from shimwise.imaging.star.rings import SECTORS, RingPlan, plan_rings
from shimwise.imaging.star.star_phase import (
    Lock,
    centre_by_frame,
    find_centre,
    fit_lock,
    locked_modulation,
    sharp_frames,
)

__all__ = ["ChartMap", "StarMeasure", "measure_star"]

FloatArray = NDArray[np.float64]

MIN_COHERENCE = 0.8
STRAY_PX = 0.1


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
    by it the frequencies that the rings have at the sensor fall. ``detuning`` is how far each cell's
    frequency on the sheet lies from its ring's, as a share (frames, rings, 16).
    """

    star: Star
    plan: RingPlan
    lock: Lock
    cells: Cells
    sectors: FloatArray
    detuning: FloatArray
    pixels: FloatArray
    noise: FloatArray
    saturated_share: float
    black_share: float
    left_mm: FloatArray
    left_variance: FloatArray
    px_per_mm: float
    to_px: FloatArray
    drift_px: FloatArray
    wander_px: float
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

    def rings(
        self, position_um: FloatArray, *, pitch_um: float, sector_weight: FloatArray | float = 1.0
    ) -> RingData:
        """Mean over sectors, each by its pixels and ``sector_weight``, at the frames' positions [µm]."""
        pixels = self.pixels * sector_weight
        total = np.sum(pixels, axis=2)
        safe = np.maximum(total, 1e-9)
        return RingData(
            position_um=position_um,
            frequency_cy_mm=self.plan.frequency_cy_mm,
            modulation=np.sum(self.sectors * pixels, axis=2) / safe,
            pixels=total,
            detuning=np.sum(self.detuning * pixels, axis=2) / safe - self.growth[:, None],
            pitch_um=pitch_um,
        )


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
    scan = _Scan(crops, maps, plan, chart.coordinate, white, black)
    lock = _found(star, scan, sharpest)
    cells = scan.cells(lock, scan.frames)
    rest = _rest(cells, scan, lock)
    stray = _strays(cells, scan, rest)
    if stray:
        lock, cells, rest = _followed(cells, scan, lock, rest, stray)
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
        detuning=cells.detuning(rest.phase(chart.coordinate, plan)),
        pixels=cells.pixels,
        noise=cells.noise,
        saturated_share=float(np.max(scan.saturated / pixels)),
        black_share=float(np.max(scan.black_count / pixels)),
        left_mm=left,
        left_variance=variance,
        wander_px=float(np.max(np.linalg.norm(lock.wander_mm, axis=1))) * scale,
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
        measure,
        lock=lock,
        sectors=locked_modulation(measure.cells, coordinate, measure.plan, lock),
        detuning=measure.cells.detuning(lock.phase(coordinate, measure.plan)),
    )


class _Scan:
    """Reads a star's cells from its crops, at the places that a lock gives."""

    def __init__(
        self,
        crops: list[Crop],
        maps: list[FloatArray],
        plan: RingPlan,
        coordinate: FloatArray,
        white: float,
        black: float,
    ) -> None:
        self.crops, self.maps, self.plan, self.coordinate = crops, maps, plan, coordinate
        self.white, self.black = white, black
        self.frames = np.arange(coordinate.size)
        self.saturated, self.black_count = np.zeros(coordinate.size), np.zeros(coordinate.size)

    def nothing(self) -> Lock:
        """A lock that moves nothing."""
        zero = np.zeros(2)
        return Lock(0.0, zero, zero, zero, np.zeros((self.frames.size, 2)), 0.0, 0.0)

    def cells(self, lock: Lock, use: NDArray[np.intp]) -> Cells:
        """Cells of some frames."""
        sums = np.empty((use.size, self.plan.count, SECTORS, SUMS))
        for k, i in enumerate(use):
            placed = _placed(lock, float(self.coordinate[i]), lock.wander_mm[i])
            crop = self.crops[i]
            out = sum_star(
                crop.pixels,
                left=crop.left,
                top=crop.top,
                to_star=np.asarray(np.linalg.inv(self.maps[i] @ placed), dtype=np.float64),
                plan=self.plan,
                white=self.white,
                black=self.black,
            )
            sums[k], self.saturated[i], self.black_count[i] = out.sums, out.saturated, out.black
        return solve_cells(sums)


def _found(star: Star, scan: _Scan, sharpest: int | None) -> Lock:
    """Find the star near its sharpest frame: centre by search, then phase, drift and stretch by two fits."""
    frames, lock = scan.frames, scan.nothing()
    few = frames[:: max(1, frames.size // 10)] if sharpest is None else _near(frames, sharpest, 5)[::2]
    middle = int(few[int(np.argmax(_power(scan.cells(lock, few))))])
    first = scan.cells(lock, _near(frames, middle, 3))
    offset, _ = find_centre(first, int(np.argmax(_power(first))), scan.plan)
    lock = replace(lock, offset_mm=offset)
    for count, least in ((3, 0.5 * MIN_COHERENCE), (5, MIN_COHERENCE)):
        use = _near(frames, middle, count)
        found = _seeded(scan.cells(lock, use), scan.coordinate[use], scan.plan)
        _refuse_stranger(star, found, least)
        lock = replace(_added(lock, found), wander_mm=lock.wander_mm)
    return lock


def _rest(cells: Cells, scan: _Scan, lock: Lock, keep: NDArray[np.bool_] | None = None) -> Lock:
    """What is left to correct once all frames are read: fitted to the sharp ones, then to all kept."""
    if keep is not None:
        cells = replace(cells, pixels=cells.pixels * keep[:, None, None])
    rest = replace(scan.nothing(), phase_rad=lock.phase_rad)
    rest = fit_lock(cells, scan.coordinate, scan.plan, rest, drift=False, all_frames=False)
    runs = scan.frames.size >= 3
    return fit_lock(cells, scan.coordinate, scan.plan, rest, drift=runs, all_frames=True)


def _strays(cells: Cells, scan: _Scan, rest: Lock) -> list[int]:
    """Frames in which the star is clearly off its track."""
    left, variance = centre_by_frame(cells, scan.coordinate, scan.plan, rest)
    px_mm = _scale(scan.maps[len(scan.maps) // 2])
    sd = np.sqrt(variance)
    off = np.linalg.norm(left, axis=1)
    stray = (off > 6.0 * sd) & (off * px_mm > STRAY_PX) & (sd * px_mm < 0.1)
    return [int(i) for i in np.flatnonzero(stray)]


def _followed(
    cells: Cells, scan: _Scan, lock: Lock, rest: Lock, stray: list[int]
) -> tuple[Lock, Cells, Lock]:
    """Search strayed frames on their own and read them again there; the others alone give the track."""
    keep = np.ones(scan.frames.size, dtype=bool)
    keep[stray] = False
    if np.count_nonzero(keep) >= 5:
        rest = _rest(cells, scan, lock, keep)
    wander = np.zeros_like(lock.wander_mm)
    for i in stray:
        track = rest.offset_mm + scan.coordinate[i] * rest.drift_mm
        wander[i] = find_centre(cells, i, scan.plan, reach_spokes=1.2)[0] - track
    lock = replace(lock, wander_mm=wander)
    again = scan.cells(lock, np.array(stray, dtype=np.intp))
    cells = cells.with_frames(stray, again)
    return lock, cells, _rest(cells, scan, lock)


def _seeded(cells: Cells, coordinate: FloatArray, plan: RingPlan) -> Lock:
    """Fit the sharp frames from a phase read off the sharpest."""
    sharpest = int(np.argmax(_power(cells)))
    phase = float(np.angle(np.sum(cells.pixels[sharpest] * cells.modulation[sharpest])))
    zero = np.zeros(2)
    start = Lock(phase, zero, zero, zero, np.zeros((coordinate.size, 2)), 0.0, 0.0)
    runs = sharp_frames(cells).size >= 4
    return fit_lock(cells, coordinate, plan, start, drift=runs, all_frames=False)


def _placed(lock: Lock, coordinate: float, wander_mm: FloatArray | float = 0.0) -> FloatArray:
    """Sheet about the star's true centre, unstretched, to sheet about its assumed centre."""
    e, g = lock.stretch[0], -lock.stretch[1]
    stretch = np.array([[1.0 + e, g, 0.0], [g, 1.0 - e, 0.0], [0.0, 0.0, 1.0]])
    move = np.eye(3)
    move[:2, 2] = lock.offset_mm + coordinate * lock.drift_mm + wander_mm
    return move @ np.linalg.inv(stretch)


def _added(lock: Lock, more: Lock) -> Lock:
    return replace(
        more,
        offset_mm=lock.offset_mm + more.offset_mm,
        drift_mm=lock.drift_mm + more.drift_mm,
        stretch=lock.stretch + more.stretch,
    )


def _refuse_stranger(star: Star, lock: Lock, least: float) -> None:
    if lock.coherence < least:
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
