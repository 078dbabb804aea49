"""Centre of each star in each frame of a sweep: the chart's map, refined by the star's own phase."""

from dataclasses import dataclass, field, replace

import numpy as np

from shimwise.arrays import BoolArray, FloatArray, IntArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import Crop
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.chart.markers import ChartTrack, map_points
from shimwise.imaging.star.cells import SUMS, Cells, solve_cells, sum_star
from shimwise.imaging.star.ring_data import RingData
from shimwise.imaging.star.rings import SECTORS, RingPlan, plan_rings
from shimwise.imaging.star.star_phase import (
    Lock,
    centre_by_frame,
    find_centre,
    fit_lock,
    locked_modulation,
    sharp_frames,
)

MIN_COHERENCE, MIN_COHERENCE_FIRST = 0.8, 0.4
"""Least share of the modulation in phase for a star to be the layout's, after both fits and after the first,
when drift and stretch may still be off; chosen."""
STRAY_PX, STRAY_TIMES, STRAY_SD_PX = 0.1, 6.0, 0.1
"""A frame is off its track by more than this and so many standard deviations, if its own are no larger than
the last; chosen."""
STRAY_REACH_SPOKES = 1.2
"""A stray frame is searched within so many spokes; chosen."""
MIN_TRACK_FRAMES = 5
"""Fewest frames that give a track without those that strayed; chosen."""
FEW = 10
"""Frames of a sweep in which the sharpest one is looked for first; chosen."""
MIN_CORNERS = 4
"""Marker corners that a homography needs."""
TINY_PIXELS = 1e-9
STEP_MM = 1e-3


@dataclass(frozen=True, slots=True)
class ChartMap:
    """Map from sheet mm to px at every frame, from marker tracks or a fixed start.

    ``coordinate`` is the swept coordinate scaled to ±1 over the sweep.
    """

    coordinate: FloatArray
    track: ChartTrack | None
    fixed: FloatArray | None

    def to_px(self, coordinate: float) -> FloatArray:
        """Return the homography (3, 3) from mm to px at a coordinate."""
        if self.track is not None and sum(map(len, self.track.corners_px.values())) >= MIN_CORNERS:
            return self.track.homography(coordinate)
        if self.fixed is None:
            raise ImagingError("No map from the sheet to the picture: markers and start are both missing.")
        return self.fixed


@dataclass(frozen=True, slots=True)
class StarMeasure:
    """One star through the sweep.

    Attributes
    ----------
    star, plan, lock, cells
        The star on the sheet, its rings, its phase and centre, its cells.
    sectors, pixels : ndarray
        Signed modulation and its weight, (frames, rings, 16).
    detuning : ndarray
        How far each cell's frequency on the sheet lies from its ring's, as a share, (frames, rings, 16).
    noise : ndarray
        Noise of a pixel as a share of the mean, (frames,).
    saturated_share, black_share : float
        Largest share of clipped pixels in a frame.
    left_mm, left_variance : ndarray
        Offset of each frame's centre from its track, (frames, 2), and its variance [mm²], (frames,).
    px_per_mm : float
        Scale of the map in the middle frame.
    to_px : ndarray
        Map (3, 3) from mm about the star's centre to px at the reference.
    drift_px : ndarray
        Change of the centre over one unit of the coordinate, (2,).
    wander_px : float
        Largest distance by which a frame strayed from the track.
    sharpest : int
        Number of the sharpest frame.
    growth : ndarray
        ln of the map's scale by that of the middle frame, (frames,): the rings' frequencies at the sensor
        fall by it.
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
        """Return the means over sectors, weighted by pixels and ``sector_weight``, at positions [µm]."""
        pixels = self.pixels * sector_weight
        total = np.sum(pixels, axis=2)
        safe = np.maximum(total, TINY_PIXELS)
        return RingData(
            position_um=position_um,
            frequency_cy_mm=self.plan.frequency_cy_mm,
            modulation=np.sum(self.sectors * pixels, axis=2) / safe,
            pixels=total,
            detuning=np.sum(self.detuning * pixels, axis=2) / safe - self.growth[:, None],
            pitch_um=pitch_um,
        )

    def shade(self) -> FloatArray:
        """Return how unevenly each frame is dimmed beside the others, (frames,), ln from sector to sector.

        Focus leaves the mean brightness of a sector as it is, and a lamp that changes alters all alike.
        """
        pixels = self.cells.pixels
        light = np.sum(np.where(pixels > 0.0, pixels * self.cells.mean, 0.0), axis=1)
        bright = np.log(np.maximum(light, TINY_PIXELS) / np.maximum(np.sum(pixels, axis=1), TINY_PIXELS))
        return np.asarray(np.ptp(bright - np.median(bright, axis=0), axis=1), dtype=np.float64)


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
    """Fit a star's phase and centre, and measure its cells in every frame.

    Parameters
    ----------
    star : Star
        The star on the sheet.
    crops : list of Crop
        The star with its surroundings in every frame.
    chart : ChartMap
        Map from sheet to picture.
    reference : float
        Coordinate at which the centre is reported.
    pitch_um, blur_px : float
        Pixel pitch, µm; radius of the largest blur disc, px.
    white, black : float
        Values at which pixels are clipped.
    sharpest : int, optional
        A frame known to be near the peak, from another star.

    Raises
    ------
    ImagingError
        If the star is too small, not in the picture, or its spokes do not agree with the layout.
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
        sharpest=int(np.argmax(cells.power())),
        to_px=to_px,
        drift_px=map_points(ahead, np.zeros(2)) - map_points(to_px, np.zeros(2)),
    )


def with_wander(measure: StarMeasure, wander_mm: FloatArray, coordinate: FloatArray) -> StarMeasure:
    """Return the measure with each frame's own offset, where the picture jumps between frames."""
    lock = replace(measure.lock, wander_mm=wander_mm)
    return replace(
        measure,
        lock=lock,
        sectors=locked_modulation(measure.cells, coordinate, measure.plan, lock),
        detuning=measure.cells.detuning(lock.phase(coordinate, measure.plan)),
    )


@dataclass(slots=True)
class _Scan:
    """Reads a star's cells from its crops, at the centres that a lock gives."""

    crops: list[Crop]
    maps: list[FloatArray]
    plan: RingPlan
    coordinate: FloatArray
    white: float
    black: float
    frames: IntArray = field(init=False)
    saturated: FloatArray = field(init=False)
    black_count: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        count = self.coordinate.size
        self.frames, self.saturated, self.black_count = np.arange(count), np.zeros(count), np.zeros(count)

    def cells(self, lock: Lock, use: IntArray) -> Cells:
        """Return the cells of some frames."""
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
    """Find the star near its sharpest frame: centre by search, then phase, drift and stretch by two fits.

    Each fit needs cells read near the true centre: read one spoke off, a cell mixes rings. Hence few frames
    first, where drift matters little, then more.
    """
    frames, lock = scan.frames, Lock.at_rest(scan.frames.size)
    few = frames[:: max(1, frames.size // FEW)] if sharpest is None else _near(frames, sharpest, 5)[::2]
    middle = int(few[int(np.argmax(scan.cells(lock, few).power()))])
    first = scan.cells(lock, _near(frames, middle, 3))
    offset, _ = find_centre(first, int(np.argmax(first.power())), scan.plan)
    lock = replace(lock, offset_mm=offset)
    for count, least in ((3, MIN_COHERENCE_FIRST), (5, MIN_COHERENCE)):
        use = _near(frames, middle, count)
        found = _seeded(scan.cells(lock, use), scan.coordinate[use], scan.plan)
        _refuse_stranger(star, found, least)
        lock = replace(_added(lock, found), wander_mm=lock.wander_mm)
    return lock


def _rest(cells: Cells, scan: _Scan, lock: Lock, keep: BoolArray | None = None) -> Lock:
    """Return the correction left once all frames are read, fitted to the sharp ones, then to all kept."""
    if keep is not None:
        cells = replace(cells, pixels=cells.pixels * keep[:, None, None])
    rest = replace(Lock.at_rest(scan.frames.size), phase_rad=lock.phase_rad)
    rest = fit_lock(cells, scan.coordinate, scan.plan, rest, drift=False, all_frames=False)
    runs = scan.frames.size >= 3
    return fit_lock(cells, scan.coordinate, scan.plan, rest, drift=runs, all_frames=True)


def _strays(cells: Cells, scan: _Scan, rest: Lock) -> list[int]:
    """Return the frames in which the star is clearly off its track."""
    left, variance = centre_by_frame(cells, scan.coordinate, scan.plan, rest)
    px_mm = _scale(scan.maps[len(scan.maps) // 2])
    sd = np.sqrt(variance)
    off = np.linalg.norm(left, axis=1)
    stray = (off > STRAY_TIMES * sd) & (off * px_mm > STRAY_PX) & (sd * px_mm < STRAY_SD_PX)
    return [int(i) for i in np.flatnonzero(stray)]


def _followed(
    cells: Cells, scan: _Scan, lock: Lock, rest: Lock, stray: list[int]
) -> tuple[Lock, Cells, Lock]:
    """Search each stray frame on its own and read it again there; the others alone give the track."""
    keep = np.ones(scan.frames.size, dtype=bool)
    keep[stray] = False
    if np.count_nonzero(keep) >= MIN_TRACK_FRAMES:
        rest = _rest(cells, scan, lock, keep)
    wander = np.zeros_like(lock.wander_mm)
    for i in stray:
        track = rest.offset_mm + scan.coordinate[i] * rest.drift_mm
        wander[i] = find_centre(cells, i, scan.plan, reach_spokes=STRAY_REACH_SPOKES)[0] - track
    lock = replace(lock, wander_mm=wander)
    again = scan.cells(lock, np.array(stray, dtype=np.intp))
    cells = cells.with_frames(stray, again)
    return lock, cells, _rest(cells, scan, lock)


def _seeded(cells: Cells, coordinate: FloatArray, plan: RingPlan) -> Lock:
    """Fit the sharp frames, starting from the phase of the sharpest."""
    sharpest = int(np.argmax(cells.power()))
    phase = float(np.angle(np.sum(cells.pixels[sharpest] * cells.modulation[sharpest])))
    start = replace(Lock.at_rest(coordinate.size), phase_rad=phase)
    runs = sharp_frames(cells).size >= 4
    return fit_lock(cells, coordinate, plan, start, drift=runs, all_frames=False)


def _placed(lock: Lock, coordinate: float, wander_mm: FloatArray | float = 0.0) -> FloatArray:
    """Return the map (3, 3) from mm about the true centre, unstretched, to mm about the assumed one."""
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
            f"Star {star.id}: only {lock.coherence:.0%} of its modulation agrees with {star.spokes} spokes "
            "at that place; check the layout, or that the star is in the picture and sharp in some frame."
        )


def _near(frames: IntArray, middle: int, count: int) -> IntArray:
    first = int(np.clip(middle - count // 2, 0, max(frames.size - count, 0)))
    return frames[first : first + count]


def _scale(to_px: FloatArray) -> float:
    """Return the pixels per mm at the origin of a map: the root of its area factor."""
    columns = (map_points(to_px, STEP_MM * np.eye(2)) - map_points(to_px, np.zeros(2))) / STEP_MM
    return float(np.sqrt(abs(np.linalg.det(columns))))
