"""A whole sweep: frames of the chart in, the peak with its uncertainty, tilt and flags out."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import Capture, capture
from shimwise.imaging.chart.layout import ChartLayout
from shimwise.imaging.chart.markers import ChartTrack, track_chart
from shimwise.imaging.chart.pose import Pose, chart_share_um, fit_pose
from shimwise.imaging.focus import checks
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.peak import PeakFit, fit_peak, fit_shift
from shimwise.imaging.focus.result import (
    StarPeak,
    SweepResult,
    SweepSettings,
)
from shimwise.imaging.focus.tilt import FieldFit, JointPeaks, fit_field
from shimwise.imaging.star.geometry import ChartMap, StarMeasure, measure_star, with_wander
from shimwise.imaging.star.response import ring_response
from shimwise.imaging.star.ring_data import RingData
from shimwise.imaging.star.rings import SECTOR_ANGLES_RAD, StarTooSmallError

FloatArray = NDArray[np.float64]

MARKER_SD_PX = 0.1
"""Uncertainty of a marker's place beside that of a star's centre, px."""

RIM_SPARE, RIM_PX = 1.2, 2.0
"""At the rim so many times the largest blur disc's radius, and so many pixels more, are left out: a star's
peak may lie off the sweep's middle, and the bright paper beyond the rim reaches farther than the disc by
diffraction. Without it the outermost ring's modulation falls by 5e-4 at the ends of a sweep.
"""

MAX_DISTORTION = 0.003
"""Radial distortion at the corner, as a share of the radius, above which it is flagged."""

DISTORTED_TILT = 3.0
"""Times the squared distortion: the share of the stars' spread of peaks by which a tilt may be off where a
lens draws stars out of round. An empirical figure: in simulation 3.0 (x) and 3.1 (y) at 3 % of barrel, 20
sweeps; at 1 % and at 2 % of pincushion no more than without.
"""


def measure_sweep(
    frames: Iterable[tuple[float, NDArray[np.generic]]],
    layout: ChartLayout,
    settings: SweepSettings,
    *,
    start: FloatArray | None = None,
) -> SweepResult:
    """Measure a sweep of a chart's frames.

    Parameters
    ----------
    frames : iterable of (float, ndarray)
        Position [µm, in image space] and linear frame of each, taken one at a time. NaN where a mosaic has no
        site.
    layout : ChartLayout
        The chart.
    settings : SweepSettings
        Camera and lens.
    start : ndarray, optional
        Map from sheet mm to px (3, 3) for a chart without markers.

    Returns
    -------
    SweepResult
        Best focus at the frame's centre, tilt, the stars' peaks, and flags. A number that cannot be trusted
        is None.

    Raises
    ------
    ImagingError
        When nothing can be measured: no frames, no markers, no star.
    """
    taken = capture(frames, layout, start=start)
    flags: list[Raised] = []
    taken = checks.usable(taken, flags)
    position = np.array(taken.position)
    if position.size < 5:
        raise ImagingError(
            f"{position.size} usable frames cannot be fitted; "
            f"record at least {checks.MIN_FRAMES} over the peak."
        )
    chart, reference = _map_of(taken, layout, start, flags)
    measures = _measure_stars(taken, layout, settings, chart, reference, flags)
    measures = _steadied(measures, chart.coordinate, flags)
    flags += checks.exposure(measures)
    pose = _pose(measures, chart.track, reference, taken, settings, flags)
    stars: tuple[StarPeak, ...] = ()
    for measure in measures:
        near = stars[0].fit if stars else None
        stars += (_star_peak(measure, position, settings, pose, taken.size_px, near),)
    peaks = JointPeaks.of([star.fit for star in stars])
    each = np.eye(len(stars))
    stars = tuple(
        replace(star, best_um=float(best), sd_um=peaks.interval(row, 0.0).sd_um)
        for star, best, row in zip(stars, peaks.best_um, each, strict=True)
    )
    field = _field(stars, peaks, measures, pose, taken.size_px, settings)
    centre = min(
        stars, key=lambda s: math.hypot(s.x_px - taken.size_px[0] / 2, s.y_px - taken.size_px[1] / 2)
    )
    flags += checks.doubts(centre, position, settings)
    flags += checks.poor(stars, measures)
    return _result(stars, field, pose, centre, measures, settings, flags)


def _map_of(
    taken: Capture, layout: ChartLayout, start: FloatArray | None, flags: list[Raised]
) -> tuple[ChartMap, float]:
    position = np.array(taken.position)
    middle, half = (position.min() + position.max()) / 2, max(np.ptp(position) / 2, 1e-9)
    coordinate = (position - middle) / half
    reference = float(-middle / half) if abs(middle) <= half else 0.0
    track = None
    if layout.markers and any(taken.corners):
        seen = list(zip(coordinate.tolist(), taken.corners, strict=True))
        track = track_chart(seen, layout)
        lost = sum(len(corners) < len(layout.markers) for corners in taken.corners)
        if lost:
            flags.append(
                raised(Flag.MARKERS_LOST, f"not all {len(layout.markers)} were found in {lost} frames")
            )
    return ChartMap(coordinate, track, start), reference


def _measure_stars(
    taken: Capture,
    layout: ChartLayout,
    settings: SweepSettings,
    chart: ChartMap,
    reference: float,
    flags: list[Raised],
) -> list[StarMeasure]:
    blur_px = (
        float(np.ptp(chart.coordinate) and np.ptp(taken.position))
        / 4.0
        / settings.fnumber
        / settings.pitch_um
    )
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
            flag = Flag.STAR_TOO_SMALL if isinstance(error, StarTooSmallError) else Flag.STAR_NOT_FOUND
            flags.append(raised(flag, str(error).rstrip("."), unit=star.id))
            reasons.append(str(error))
            continue
        if blur_px > 0.3 * star.radius_mm * measure.px_per_mm:
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


def _steadied(measures: list[StarMeasure], coordinate: FloatArray, flags: list[Raised]) -> list[StarMeasure]:
    """Where the picture jumps between frames, common to all stars, follow it and flag it."""
    farthest = max(measure.wander_px for measure in measures)
    if farthest > 0.0:
        flags.append(raised(Flag.CAMERA_MOVED, f"by up to {farthest:.2f} px"))
    left_px = np.array([m.left_mm * m.px_per_mm for m in measures])
    weight = np.array([1.0 / np.maximum(m.left_variance * m.px_per_mm**2, 1e-12) for m in measures])
    total = weight.sum(axis=0)
    jump = np.sum(weight[..., None] * left_px, axis=0) / total[:, None]
    sd = 1.0 / np.sqrt(total)
    clear = (np.linalg.norm(jump, axis=1) > np.maximum(6.0 * sd, 0.02)) & (sd < 0.1)
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
        if len(measures) >= 4:
            # Blur draws all four corners inwards alike: their mean stays.
            sheet, picture = sheet.mean(axis=0, keepdims=True), picture.mean(axis=0, keepdims=True)
        chart_mm += list(sheet)
        px += list(picture)
        sd += [MARKER_SD_PX] * len(sheet)
    return chart_mm, px, sd


def _pose(
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
    if abs(pose.distortion) > MAX_DISTORTION:
        flags.append(raised(Flag.LENS_DISTORTS, f"by {100 * abs(pose.distortion):.1f} % at the corner"))
    turn = max(abs(pose.yaw_deg), abs(pose.pitch_deg))
    if turn > 1.0 and turn > 2.0 * pose.turn_sd_deg:
        flags.append(raised(Flag.CHART_TURNED, f"yaw {pose.yaw_deg:+.2f}°, pitch {pose.pitch_deg:+.2f}°"))
    return pose


def _star_peak(
    measure: StarMeasure,
    position: FloatArray,
    settings: SweepSettings,
    pose: Pose | None,
    size_px: tuple[int, int],
    near: PeakFit | None,
) -> StarPeak:
    blur_um = RIM_SPARE * float(np.ptp(position)) / 4.0 / settings.fnumber
    response = ring_response(measure.plan, blur_um=blur_um)
    data = replace(measure.rings(position, pitch_um=settings.pitch_um), response=response)
    optics: dict[str, Any] = {"fnumber": settings.fnumber, "wavelengths_um": settings.wavelengths_um}
    fit = fit_peak(data, band_cy_mm=settings.band_cy_mm, near=near, **optics)
    x, y = (float(v) for v in measure.centre_px)
    share = 0.0
    if pose is not None and settings.focal_mm is not None:
        place = np.array([[x, y]])
        share = float(
            chart_share_um(
                pose, place, focal_mm=settings.focal_mm, pitch_um=settings.pitch_um, size_px=size_px
            )[0]
        )
    sagittal, tangential = _split(measure, data, fit, (x, y), size_px, optics)
    return StarPeak(
        id=measure.star.id,
        x_px=x,
        y_px=y,
        best_um=fit.best_um,
        sd_um=fit.sd_um,
        sagittal_um=sagittal,
        tangential_um=tangential,
        chart_share_um=share,
        fit=fit,
        data=data,
    )


def _split(
    measure: StarMeasure,
    data: RingData,
    fit: PeakFit,
    px: tuple[float, float],
    size_px: tuple[int, int],
    optics: dict[str, Any],
) -> tuple[float | None, float | None]:
    """Peaks of the spokes along and across the field's radius, from sectors weighted by cos 2(θ − radius)."""
    away = np.array(px) - (np.array(size_px) - 1) / 2
    if np.hypot(*away) < 0.1 * np.hypot(*size_px) / 2:
        return None, None
    turn = measure.to_px[:2, :2] / measure.to_px[2, 2]
    angle = SECTOR_ANGLES_RAD + math.atan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])
    along = np.cos(2.0 * (angle - math.atan2(away[1], away[0])))
    peaks = []
    for weight in (np.maximum(along, 0.0), np.maximum(-along, 0.0)):
        part = measure.rings(data.position_um, pitch_um=data.pitch_um, sector_weight=weight)
        peaks.append(fit_shift(replace(part, response=data.response), fit, **optics))
    # A shift of a/2·cos 2Δ read with weights cos 2Δ comes out at Σ|cos|³/Σ|cos|² of... its mean cos²/cos.
    gain = float(np.sum(along**2) / np.sum(np.abs(along)))
    middle, half = (peaks[0] + peaks[1]) / 2, (peaks[0] - peaks[1]) / 2 / gain
    return middle + half, middle - half


def _field(
    stars: tuple[StarPeak, ...],
    peaks: JointPeaks,
    measures: list[StarMeasure],
    pose: Pose | None,
    size_px: tuple[int, int],
    settings: SweepSettings,
) -> FieldFit:
    px = np.array([[star.x_px, star.y_px] for star in stars])
    radius = np.array([_mean_radius_px(measure) for measure in measures])
    extra = np.zeros(2)
    if pose is not None:
        span = pose.magnification * np.array(size_px) * settings.pitch_um
        bent = DISTORTED_TILT * pose.distortion**2 * float(np.ptp(peaks.best_um))
        extra = span**2 * np.diag(pose.covariance) + bent**2
    return fit_field(
        px,
        peaks,
        share_um=np.array([star.chart_share_um for star in stars]),
        size_px=size_px,
        radius_px=radius,
        extra_variance=(float(extra[0]), float(extra[1])),
    )


def _mean_radius_px(measure: StarMeasure) -> float:
    """Root mean square radius of the rings, weighted by the information of each about the peak."""
    pixels = np.sum(measure.pixels, axis=(0, 2))
    radii = measure.plan.radii_mm * measure.px_per_mm
    return float(np.sqrt(np.sum(pixels * radii**2) / max(np.sum(pixels), 1.0)))


def _result(
    stars: tuple[StarPeak, ...],
    field: FieldFit,
    pose: Pose | None,
    centre: StarPeak,
    measures: list[StarMeasure],
    settings: SweepSettings,
    flags: list[Raised],
) -> SweepResult:
    withheld = any(flag.stops for flag in flags)
    at_centre = field.centre
    measured = next(m for m in measures if m.star.id == centre.id)
    scale = float(pose.magnification) if pose else measured.plan.magnification
    return SweepResult(
        best_um=None if withheld else at_centre.value_um,
        sd_um=None if withheld else at_centre.sd_um,
        low_um=None if withheld else at_centre.low_um,
        high_um=None if withheld else at_centre.high_um,
        band_cy_mm=settings.band_cy_mm,
        w040_waves=centre.fit.w040_waves,
        stars=stars,
        field=None if withheld else field,
        pose=pose,
        magnification=scale,
        landing_um=-at_centre.value_um if settings.sensor_swept and not withheld else None,
        flags=tuple(flags),
    )
