"""A whole sweep: frames of the chart in, the peak with its uncertainty, tilt and flags out."""

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import SweptFrame, capture
from shimwise.imaging.chart.layout import ChartLayout
from shimwise.imaging.chart.pose import Pose
from shimwise.imaging.focus import checks
from shimwise.imaging.focus.flags import Raised
from shimwise.imaging.focus.joint import JointPeaks
from shimwise.imaging.focus.lens.law import wave_depth_um
from shimwise.imaging.focus.placing import map_of, measure_stars, pose_of, steadied
from shimwise.imaging.focus.result import Alternative, StarPeak, SweepResult, SweepSettings
from shimwise.imaging.focus.run.run_check import RunCheck
from shimwise.imaging.focus.star_peaks import second_channel, star_peaks
from shimwise.imaging.focus.tilt import FieldFit, fit_field, seen_as_yaw
from shimwise.imaging.star.geometry import StarMeasure

LEAST_STARS = 4
"""Stars off the centre from which on their astigmatism shows a lean."""

LEAN_NOISE = 0.012
"""Lean of the stars' astigmatism, by 8 N² λ, that noise alone makes; chosen by us."""

DISTORTED_TILT = 3.0
"""Times the squared distortion: the share of the stars' spread of peaks by which a tilt may be off where a
lens draws stars out of round. An empirical figure: in simulation 3.0 (x) and 3.1 (y) at 3 % of barrel, 20
sweeps; at 1 % and at 2 % of pincushion no more than without.
"""

MIXED_CHANNELS = 0.15
"""Share of green's distance from luma by which luma's peak may be off: a camera that interpolates its mosaic
takes fine detail of all colours from green's. Chosen on pictures made apart, .17 with plain interpolation."""

UNSEEN_COLOUR = 0.008
"""The same of a clip's luma, whose colours are not looked at, by 8 N² λ: chosen on clips made apart."""

PREDICTED_SHARE = 0.05
"""Standard uncertainty of the peak of a clip whose frames are predicted from others, as a share of 8 N² λ:
chosen on clips made apart."""

MISFIT_TILT = 0.7
"""Share of the stars' spread of peaks by which a tilt may be off, for each unit of ln of the fitted focal
ratio over the engraved one: the curves' width is then not the law's. Empirical: .1 and .9 on two sharpened
sweeps that were not made by us."""


def measure_sweep(
    frames: Iterable[SweptFrame | tuple[float, NDArray[np.generic]]],
    layout: ChartLayout,
    settings: SweepSettings,
    *,
    start: FloatArray | None = None,
) -> SweepResult:
    """Measure a sweep of a chart's frames.

    Parameters
    ----------
    frames : iterable of SweptFrame or (float, ndarray)
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
    chart, reference = map_of(taken, layout, start, flags, pitch_um=settings.pitch_um)
    measures = measure_stars(taken, layout, settings, chart, reference, flags)
    measures = steadied(measures, chart.coordinate, flags)
    flags += checks.exposure(measures)
    pose = pose_of(measures, chart.track, reference, taken, settings, flags)
    stars, run = star_peaks(measures, layout, position, settings, pose, taken.size_px)
    flags += checks.of_run(run, taken.names, flags)
    lead = next(k for k, star in enumerate(stars) if star.fit.star is run.fit)
    peaks = JointPeaks.of([star.fit for star in stars], lead)
    each = np.eye(len(stars))
    stars = tuple(
        replace(star, best_um=float(best), sd_um=peaks.interval(row, 0.0).sd_um)
        for star, best, row in zip(stars, peaks.best_um, each, strict=True)
    )
    field = _field(stars, peaks, measures, pose, taken.size_px, settings)
    centre = min(
        stars, key=lambda s: math.hypot(s.x_px - taken.size_px[0] / 2, s.y_px - taken.size_px[1] / 2)
    )
    flags += checks.doubts(centre, run.position_um, settings)
    flags += checks.poor(stars)
    flags += checks.processed(stars[lead])
    flags = checks.undershot(flags)
    other = second_channel(taken, layout, chart, settings, run)
    field = replace(field, centre=field.centre.doubted(_doubt_um(run, other, settings)))
    result = _result(stars, field, pose, centre, measures, settings, flags)
    return replace(result, alternatives=_alternatives(run, field, other))


def _doubt_um(run: RunCheck, other: Alternative | None, settings: SweepSettings) -> float:
    """Standard uncertainty that a camera's colours and a clip's coding add, whatever the frames show. [µm]"""
    if other is not None:
        mixed_um = MIXED_CHANNELS * (other.best_um - run.fit.state.best_um)
    else:
        mixed_um = UNSEEN_COLOUR * wave_depth_um(settings.fnumber) if settings.channel == "luma" else 0.0
    coded_um = PREDICTED_SHARE * wave_depth_um(settings.fnumber) if settings.is_predicted else 0.0
    return math.hypot(mixed_um, coded_um)


def _field(
    stars: tuple[StarPeak, ...],
    peaks: JointPeaks,
    measures: list[StarMeasure],
    pose: Pose | None,
    size_px: tuple[int, int],
    settings: SweepSettings,
) -> FieldFit:
    px = np.array([[star.x_px, star.y_px] for star in stars])
    by_id = {measure.star.id: measure for measure in measures}
    radius = np.array([_mean_radius_px(by_id[star.id]) for star in stars])
    extra, share = np.zeros(2), 0.0
    if pose is not None and settings.focal_mm is not None:
        span = pose.magnification * np.array(size_px) * settings.pitch_um
        bent = DISTORTED_TILT * pose.distortion**2 * float(np.ptp(peaks.best_um))
        misfit = float(np.median([abs(star.fit.star.law.state.log_n) for star in stars]))
        extra = span**2 * np.diag(pose.covariance) + bent**2
        extra += (MISFIT_TILT * misfit * float(np.ptp(peaks.best_um))) ** 2
        half_um = float(np.ptp(stars[0].data.position_um)) / 2.0
        share = seen_as_yaw(
            px,
            np.array([by_id[star.id].drift_px for star in stars]) / half_um,
            magnification=pose.magnification,
            focal_mm=settings.focal_mm,
        )
    lean = np.abs(_leaning_astigmatism_um(stars, px, size_px))
    extra += np.maximum(lean - LEAN_NOISE * wave_depth_um(settings.fnumber), 0.0) ** 2
    return fit_field(
        px,
        peaks,
        share_um=np.array([star.chart_share_um for star in stars]),
        size_px=size_px,
        radius_px=radius,
        extra_variance=(float(extra[0]), float(extra[1])),
        seen_as_yaw=share,
    )


def _leaning_astigmatism_um(
    stars: tuple[StarPeak, ...], px: FloatArray, size_px: tuple[int, int]
) -> FloatArray:
    """Return how much the peaks along and across the radius part from edge to edge, x and y. [µm]

    A lens that is centred parts them alike on either side. A decentred element does not, and leans the
    surface of best focus by about as much: no sweep can separate that from a sensor's tilt.
    """
    split = [_split_um(star) for star in stars]
    parted, seen = np.array(split, dtype=np.float64), np.isfinite(split)
    if np.count_nonzero(seen) < LEAST_STARS:
        return np.zeros(2)
    design = np.column_stack([np.ones(len(px)), px / np.array(size_px)])[seen]
    if np.linalg.matrix_rank(design, tol=0.05) < design.shape[1]:
        return np.zeros(2)
    return np.asarray(np.linalg.lstsq(design, parted[seen], rcond=None)[0][1:], dtype=np.float64)


def _split_um(star: StarPeak) -> float:
    if star.sagittal_um is None or star.tangential_um is None:
        return math.nan
    return star.sagittal_um - star.tangential_um


def _mean_radius_px(measure: StarMeasure) -> float:
    """Root mean square radius of the rings, weighted by what each adds to the peak."""
    pixels = np.sum(measure.pixels, axis=(0, 2))
    radii = measure.plan.radii_mm * measure.px_per_mm
    return float(np.sqrt(np.sum(pixels * radii**2) / max(np.sum(pixels), 1.0)))


def _alternatives(run: RunCheck, field: FieldFit, other: Alternative | None) -> tuple[Alternative, ...]:
    """Both readings of a run in which a frame may be missing or doubled, and that of the other channel."""
    best, out = field.centre, []
    if run.slip is not None and run.other is not None:
        moved = best.value_um + run.other.best_um - run.fit.state.best_um
        half = run.other.high_um - run.other.best_um
        out = [
            Alternative(best_um=best.value_um, low_um=best.low_um, high_um=best.high_um, code="as_recorded"),
            Alternative(best_um=moved, low_um=moved - half, high_um=moved + half, code=run.slip.code),
        ]
    if other is not None:
        # The centre star's difference of the channels, at the frame's centre.
        by = best.value_um - run.fit.state.best_um
        out.append(
            replace(other, best_um=other.best_um + by, low_um=other.low_um + by, high_um=other.high_um + by)
        )
    return tuple(out)


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
        channel=settings.channel,
    )
