"""Where the chart and its stars lie in the picture, frame by frame, and the chart's pose from them."""

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import Capture
from shimwise.imaging.chart.layout import ChartLayout
from shimwise.imaging.chart.markers import ChartTrack, track_chart
from shimwise.imaging.chart.pose import Pose, fit_pose
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.result import SweepSettings
from shimwise.imaging.star.geometry import ChartMap, StarMeasure, measure_star, with_wander
from shimwise.imaging.star.pointing import pointed
from shimwise.imaging.star.rings import StarTooSmallError

MARKER_SD_PX = 0.1
"""Uncertainty of a marker's place beside that of a star's centre, px."""

RIM_SPARE, RIM_PX = 1.2, 2.0
"""At the rim so many times the largest blur disc's radius, and so many pixels more, are left out: a star's
peak may lie off the sweep's middle, and the bright paper beyond the rim reaches farther than the disc by
diffraction. Without it the outermost ring's modulation falls by 5e-4 at the ends of a sweep.
"""

MAX_DISTORTION = 0.02
"""Radial distortion at the corner, as a share of the radius, above which it is flagged: ordinary lenses stay
below (common practice, no source)."""

ENOUGH_STARS = 4
"""Stars that fix the chart's lie by themselves: with fewer, corners of markers that blur draws in look like
distortion."""
BLURRED_SHARE = 0.3
"""Blur at the ends of the sweep, by the star's radius, from which it is flagged; chosen."""
JUMP_SDS, LEAST_JUMP_PX, JUMP_SD_PX = 6.0, 0.02, 0.1
"""A jump is followed from so many sd and pixels on, where its sd is below the last [px]; chosen."""


def map_of(
    taken: Capture, layout: ChartLayout, start: FloatArray | None, flags: list[Raised], *, pitch_um: float
) -> tuple[ChartMap, float]:
    """Return the map from sheet to picture, and the coordinate at which places are reported."""
    position = np.array(taken.position)
    middle, half = (position.min() + position.max()) / 2, max(np.ptp(position) / 2, 1e-9)
    coordinate = (position - middle) / half
    reference = float(-middle / half) if abs(middle) <= half else 0.0
    track = None
    if start is not None and not any(taken.corners):
        start = pointed(
            layout.centre_star, [row[_centre_of(layout)] for row in taken.stars], start, pitch_um=pitch_um
        )
    if layout.markers and any(taken.corners):
        seen = list(zip(coordinate.tolist(), taken.corners, strict=True))
        track = track_chart(seen, layout)
        lost = sum(len(corners) < len(layout.markers) for corners in taken.corners)
        if lost:
            flags.append(
                raised(Flag.MARKERS_LOST, f"not all {len(layout.markers)} were found in {lost} frames")
            )
    return ChartMap(coordinate, track, start), reference


def _centre_of(layout: ChartLayout) -> int:
    return [star.id for star in layout.stars].index(layout.centre_star.id)


def largest_blur_px(taken: Capture, settings: SweepSettings) -> float:
    """Return the radius of the blur disc at the ends of the sweep, with the peak in its middle. [px]"""
    return float(np.ptp(taken.position)) / 4.0 / settings.fnumber / settings.pitch_um


def measure_stars(
    taken: Capture,
    layout: ChartLayout,
    settings: SweepSettings,
    chart: ChartMap,
    reference: float,
    flags: list[Raised],
) -> list[StarMeasure]:
    """Measure every star of the layout that is seen.

    Raises
    ------
    ImagingError
        If no star can be measured.
    """
    blur_px = largest_blur_px(taken, settings)
    out: list[StarMeasure] = []
    reasons: list[str] = []
    for k, star in enumerate(layout.stars):
        try:
            measure = measure_star(
                star,
                [row[k] for row in taken.stars],
                chart,
                reference=reference,
                pitch_um=settings.pitch_um,
                blur_px=RIM_SPARE * blur_px + RIM_PX,
                white=settings.white_level,
                black=settings.black_level,
                sharpest=out[0].sharpest if out else None,
            )
        except ImagingError as error:
            small = isinstance(error, StarTooSmallError)
            flags.append(
                raised(Flag.STAR_TOO_SMALL if small else Flag.STAR_NOT_FOUND, str(error).rstrip("."))
            )
            reasons.append(str(error))
            continue
        if blur_px > BLURRED_SHARE * star.radius_mm * measure.px_per_mm:
            flags.append(
                raised(
                    Flag.STAR_TOO_SMALL,
                    f"star {star.id} is blurred by {2 * blur_px:.0f} px at the ends of the sweep",
                )
            )
        out.append(measure)
    if not out:
        raise ImagingError("No star of the chart could be measured. " + " ".join(reasons))
    return out


def steadied(measures: list[StarMeasure], coordinate: FloatArray, flags: list[Raised]) -> list[StarMeasure]:
    """Where the picture jumps between frames, common to all stars, follow it and flag it."""
    farthest = max(measure.wander_px for measure in measures)
    if farthest > 0.0:
        flags.append(raised(Flag.CAMERA_MOVED, f"by up to {farthest:.2f} px"))
    left_px = np.array([m.left_mm * m.px_per_mm for m in measures])
    weight = np.array([1.0 / np.maximum(m.left_variance * m.px_per_mm**2, 1e-12) for m in measures])
    total = weight.sum(axis=0)
    jump = np.sum(weight[..., None] * left_px, axis=0) / total[:, None]
    sd = 1.0 / np.sqrt(total)
    clear = (np.linalg.norm(jump, axis=1) > np.maximum(JUMP_SDS * sd, LEAST_JUMP_PX)) & (sd < JUMP_SD_PX)
    if not clear.any():
        return measures
    steady = np.where(clear[:, None], jump, 0.0)
    return [with_wander(m, steady / m.px_per_mm, coordinate) for m in measures]


def _points(
    measures: list[StarMeasure], track: ChartTrack | None, reference: float
) -> tuple[list[FloatArray], list[FloatArray], list[float]]:
    """Points on sheet and picture: stars, and markers by their centres (corners where stars are few)."""
    chart_mm = [np.array(m.star.centre_mm) for m in measures]
    px = [m.centre_px for m in measures]
    sd = [max(m.centre_sd_px, 1e-4) for m in measures]
    if track is None:
        return chart_mm, px, sd
    for number, corners in track.corners_px.items():
        sheet, picture = track.corners_mm[number], corners + reference * track.drift_px[number]
        if len(measures) >= ENOUGH_STARS:
            # Blur draws all four corners inwards alike: their mean stays.
            sheet, picture = sheet.mean(axis=0, keepdims=True), picture.mean(axis=0, keepdims=True)
        chart_mm += list(sheet)
        px += list(picture)
        sd += [MARKER_SD_PX] * len(sheet)
    return chart_mm, px, sd


def pose_of(
    measures: list[StarMeasure],
    track: ChartTrack | None,
    reference: float,
    taken: Capture,
    settings: SweepSettings,
    flags: list[Raised],
) -> Pose | None:
    """Turn and magnification from the stars' centres, with the markers' corners beside them."""
    chart_mm, px, sd = _points(measures, track, reference)
    if settings.focal_mm is None or len(px) < 4:
        if len(measures) > 2:
            flags.append(raised(Flag.TURN_UNKNOWN, "the focal length or points of the chart are missing"))
        return None
    pose = fit_pose(
        np.array(chart_mm),
        np.array(px),
        np.array(sd),
        focal_mm=settings.focal_mm,
        pitch_um=settings.pitch_um,
        size_px=taken.size_px,
    )
    if len(measures) >= ENOUGH_STARS and abs(pose.distortion) > MAX_DISTORTION:
        flags.append(raised(Flag.LENS_DISTORTS, f"by {100 * abs(pose.distortion):.1f} % at the corner"))
    turn = max(abs(pose.yaw_deg), abs(pose.pitch_deg))
    if turn > 1.0 and turn > 2.0 * pose.turn_sd_deg:
        flags.append(raised(Flag.CHART_TURNED, f"yaw {pose.yaw_deg:+.2f}°, pitch {pose.pitch_deg:+.2f}°"))
    return pose
