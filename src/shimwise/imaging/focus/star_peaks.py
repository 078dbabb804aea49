"""The stars of a sweep: their rings, their peaks, and the run as the layout's centre star shows it."""

import math
from dataclasses import replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import ImagingError
from shimwise.imaging.chart.capture import Capture
from shimwise.imaging.chart.layout import ChartLayout
from shimwise.imaging.chart.pose import Pose, chart_share_um
from shimwise.imaging.focus.fit.ring_model import star_rings
from shimwise.imaging.focus.lens.law_fit import Lens
from shimwise.imaging.focus.peak import PeakFit, fit_shift, peak_of
from shimwise.imaging.focus.placing import RIM_PX, RIM_SPARE, largest_blur_px
from shimwise.imaging.focus.result import Alternative, StarPeak, SweepSettings
from shimwise.imaging.focus.run.run_check import RunCheck, check_run, fit_clear
from shimwise.imaging.star.geometry import ChartMap, StarMeasure, measure_star
from shimwise.imaging.star.response import ring_response
from shimwise.imaging.star.ring_data import RingData
from shimwise.imaging.star.rings import SECTOR_ANGLES_RAD

CENTRE_SHARE = 0.1
"""Distance from the picture's middle, by its half diagonal, within which no radius is defined; chosen."""


def star_peaks(
    measures: list[StarMeasure],
    layout: ChartLayout,
    position: FloatArray,
    settings: SweepSettings,
    pose: Pose | None,
    size_px: tuple[int, int],
) -> tuple[tuple[StarPeak, ...], RunCheck]:
    """Peaks of all stars, in the order measured; the run is judged by the layout's centre star."""
    order = sorted(measures, key=lambda m: (m.star.id != layout.centre_star.id, -float(m.pixels.sum())))
    lens = lens_of(settings)
    shade = np.max([measure.shade() for measure in measures], axis=0)
    run = check_run(
        star_rings(_ring_data(order[0], position, settings)), lens, shade, may_slip=settings.may_slip
    )
    stars = []
    for measure in measures:
        corrected = replace(_ring_data(measure, position, settings), position_um=run.position_um)
        fit = run.fit
        if measure is not order[0]:
            fit, _ = fit_clear(star_rings(corrected), lens, run.keep, near=run.fit.law.state)
        stars.append(_star_peak(measure, corrected, peak_of(fit, lens), settings, pose, size_px))
    return tuple(stars), run


def second_channel(
    taken: Capture, layout: ChartLayout, chart: ChartMap, settings: SweepSettings, run: RunCheck
) -> Alternative | None:
    """Return the centre star's peak in the frames' other channel; None where they have none.

    The frames are the same, so that what the positions are off cancels in the difference.
    """
    if not taken.second:
        return None
    try:
        measure = measure_star(
            layout.centre_star,
            taken.second,
            chart,
            reference=0.0,
            pitch_um=settings.pitch_um,
            blur_px=RIM_SPARE * largest_blur_px(taken, settings) + RIM_PX,
            white=settings.white_level,
            black=settings.black_level,
        )
        rings = star_rings(_ring_data(measure, run.position_um, settings))
        lens = lens_of(settings)
        peak = peak_of(fit_clear(rings, lens, run.keep)[0], lens)
    except ImagingError:
        return None
    code = "green" if settings.channel == "luma" else "luma"
    return Alternative(best_um=peak.best_um, low_um=peak.low_um, high_um=peak.high_um, code=code)


def lens_of(settings: SweepSettings) -> Lens:
    """Return what is known of the lens before the fit."""
    return Lens(
        fnumber=settings.fnumber, band_cy_mm=settings.band_cy_mm, wavelengths_um=settings.wavelengths_um
    )


def _ring_data(measure: StarMeasure, position: FloatArray, settings: SweepSettings) -> RingData:
    blur_um = RIM_SPARE * float(np.ptp(position)) / 4.0 / settings.fnumber
    response = ring_response(measure.plan, blur_um=blur_um)
    return replace(measure.rings(position, pitch_um=settings.pitch_um), response=response)


def _star_peak(
    measure: StarMeasure,
    data: RingData,
    fit: PeakFit,
    settings: SweepSettings,
    pose: Pose | None,
    size_px: tuple[int, int],
) -> StarPeak:
    x, y = (float(v) for v in measure.centre_px)
    share = 0.0
    if pose is not None and settings.focal_mm is not None:
        place = np.array([[x, y]])
        share = float(
            chart_share_um(
                pose, place, focal_mm=settings.focal_mm, pitch_um=settings.pitch_um, size_px=size_px
            )[0]
        )
    sagittal, tangential = _split(measure, data, fit, (x, y), size_px)
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
) -> tuple[float | None, float | None]:
    """Peaks of the spokes along and across the field's radius, from sectors weighted by cos 2(θ − radius)."""
    away = np.array(px) - (np.array(size_px) - 1) / 2
    if np.hypot(*away) < CENTRE_SHARE * np.hypot(*size_px) / 2:
        return None, None
    turn = measure.to_px[:2, :2] / measure.to_px[2, 2]
    angle = SECTOR_ANGLES_RAD + math.atan2(turn[1, 0] - turn[0, 1], turn[0, 0] + turn[1, 1])
    along = np.cos(2.0 * (angle - math.atan2(away[1], away[0])))
    peaks = []
    for weight in (np.maximum(along, 0.0), np.maximum(-along, 0.0)):
        part = measure.rings(data.position_um, pitch_um=data.pitch_um, sector_weight=weight)
        peaks.append(fit_shift(replace(part, response=data.response), fit))
    # A shift of a/2·cos 2Δ read with weights cos 2Δ comes out at Σ|cos|³/Σ|cos|² of... its mean cos²/cos.
    gain = float(np.sum(along**2) / np.sum(np.abs(along)))
    middle, half = (peaks[0] + peaks[1]) / 2, (peaks[0] - peaks[1]) / 2 / gain
    return middle + half, middle - half
