"""What speaks against a sweep: copies, positions, exposure, the peak's place and the fit's scatter."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.chart.capture import Capture
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.pupil import aberrated_otf
from shimwise.imaging.focus.result import StarPeak, SweepSettings
from shimwise.imaging.star.geometry import StarMeasure

FloatArray = NDArray[np.float64]

MIN_FRAMES = 7
MAX_MISFIT = 4.0
"""Multiple of the noise above which scatter about the model is flagged, if above 0.01 of modulation too."""


def usable(taken: Capture, flags: list[Raised]) -> Capture:
    """Leave out copies of a frame; judge the positions and what was left out."""
    flags += [raised(Flag.FRAME_LEFT_OUT, text) for text in taken.left_out]
    twins = _twins(taken)
    for first, second in twins:
        flags.append(
            raised(Flag.DUPLICATE_FRAMES, f"frames {first + 1} and {second + 1} are the same picture")
        )
    drop = {second for _, second in twins}
    keep = [i for i in range(len(taken.position)) if i not in drop]
    out = replace(
        taken,
        position=[taken.position[i] for i in keep],
        stars=[taken.stars[i] for i in keep],
        corners=[taken.corners[i] for i in keep],
    )
    step = np.diff(out.position)
    wrong = np.flatnonzero(step * np.sign(np.median(step) if step.size else 1.0) <= 0)
    if wrong.size:
        at = int(wrong[0])
        detail = f"from {out.position[at]:g} to {out.position[at + 1]:g} µm at frame {at + 2}"
        flags.append(raised(Flag.NOT_MONOTONE, detail))
    return out


def _twins(taken: Capture) -> list[tuple[int, int]]:
    """Pairs of neighbouring frames with the same picture, pixel for pixel: noise never repeats."""
    crops = [max(row, key=lambda crop: crop.pixels.size).pixels for row in taken.stars]
    return [
        (i, i + 1)
        for i in range(len(crops) - 1)
        if crops[i].shape == crops[i + 1].shape and np.array_equal(crops[i], crops[i + 1], equal_nan=True)
    ]


def exposure(measures: list[StarMeasure]) -> list[Raised]:
    """Flag stars with pixels at white or black: above 1 % the peak is withheld, above 0.1 % flagged."""
    out = []
    for flag, shares in (
        (Flag.SATURATED, [m.saturated_share for m in measures]),
        (Flag.BLACK_CLIPPED, [m.black_share for m in measures]),
    ):
        worst = max(shares)
        if worst > 1e-3:
            name = measures[int(np.argmax(shares))].star.id
            out.append(raised(flag, f"{worst:.1%} of the pixels of star {name}", stops=worst > 0.01))
    return out


def doubts(centre: StarPeak, position: FloatArray, settings: SweepSettings) -> list[Raised]:
    """Too few frames over the peak, a peak at the end of the sweep, and bands that disagree."""
    fit, z = centre.fit, np.sort(position)
    out: list[Raised] = []
    coarse = aberrated_otf(
        frequency_cy_mm=[settings.band_cy_mm[0]],
        defocus_um=z - fit.paraxial_um,
        fnumber=fit.fnumber,
        w040_waves=fit.w040_waves,
    )[:, 0]
    over = int(np.count_nonzero(coarse > 0.1 * float(coarse.max())))
    if over < MIN_FRAMES:
        out.append(raised(Flag.TOO_FEW_FRAMES, f"{over} frames"))
    below, above = int(np.sum(z < centre.best_um)), int(np.sum(z > centre.best_um))
    if min(below, above) < 2:
        out.append(
            raised(Flag.PEAK_AT_END, f"{min(below, above)} frames lie beyond it at {centre.best_um:.1f} µm")
        )
    apart = fit.bands_apart_um
    if abs(apart) > 1.0 and abs(fit.w040_waves) > 3.0 * fit.w040_sd_waves:
        out.append(
            raised(
                Flag.BANDS_DISAGREE,
                f"by {abs(apart):.1f} µm, spherical aberration {fit.w040_waves:+.2f} waves",
            )
        )
    return out


def poor(stars: tuple[StarPeak, ...], measures: list[StarMeasure]) -> list[Raised]:
    """Stars whose rings scatter about the model far more than their pixels' noise allows."""
    out = []
    for star, measure in zip(stars, measures, strict=True):
        expected = math.sqrt(2.0) * float(np.median(measure.noise))
        typical = float(np.median(star.data.pixels[star.data.pixels > 0]))
        excess = star.fit.noise_sd > MAX_MISFIT * expected and star.fit.noise_sd / math.sqrt(typical) > 0.01
        wide = star.sd_um > 0.05 * float(np.ptp(star.data.position_um))
        if excess or wide or star.fit.held:
            times = star.fit.noise_sd / max(expected, 1e-12)
            detail = f"star {star.id}, {times:.1f} times the noise, fitted f/{star.fit.fnumber:.2g}"
            out.append(raised(Flag.POOR_FIT, detail, stops=star.fit.held or wide))
    return out
