"""What speaks against a sweep: copies, positions, exposure, the peak's place and the fit's scatter."""

import math
from dataclasses import replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.chart.capture import Capture
from shimwise.imaging.focus.fit.ring_model import pixel_transfer
from shimwise.imaging.focus.fit.star_fit import usual_step_um
from shimwise.imaging.focus.flags import Flag, Raised, raised
from shimwise.imaging.focus.result import StarPeak, SweepSettings
from shimwise.imaging.focus.run.run_check import RunCheck
from shimwise.imaging.focus.run.steps import Slip
from shimwise.imaging.star.geometry import StarMeasure

MIN_FRAMES = 7
SHARPENED_RISE = 0.03
"""Rise of the contrast from coarse to fine rings, ln, above which the pictures were sharpened: no
lens does it."""

PROCESSED_MISFIT = 0.012
"""Departure from the lens's law, in modulation, above which fine detail that is missing is named."""

TURNED_SHARE = 0.15
"""Scatter of the frames about their positions, as a share of a step, that shows that positions are not what
is recorded."""
CLIPPED_SHARE, CLIPPED_MUCH = 1e-3, 0.01
"""Shares of a star's pixels at white or black from which it is flagged, and the peak withheld; chosen."""
OVER_PEAK = 0.1
"""Modulation, by the largest, from which a frame counts as over the peak; chosen."""
BANDS_UM = 1.0
"""Distance of the bands' peaks from which it is flagged; chosen."""
WIDE_SHARE = 0.05
"""Standard uncertainty of a peak, by the length of the sweep, above which it is withheld; chosen."""
FAINTEST, FAINT = 0.02, 0.35
"""Modulation between which detail is faint: a camera's noise reduction takes it first; chosen."""


def usable(taken: Capture, flags: list[Raised]) -> Capture:
    """Leave out copies of a frame; judge the positions and what was left out."""
    flags += [raised(Flag.FRAME_LEFT_OUT, text) for text in taken.left_out]
    twins = _twins(taken)
    for first, second in twins:
        flags.append(
            raised(
                Flag.DUPLICATE_FRAMES,
                f"{taken.names[first]} and {taken.names[second]} are the same picture",
                frames=f"{taken.names[first]}, {taken.names[second]}",
            )
        )
    drop = {second for _, second in twins}
    keep = [i for i in range(len(taken.position)) if i not in drop]
    out = replace(
        taken,
        position=[taken.position[i] for i in keep],
        stars=[taken.stars[i] for i in keep],
        corners=[taken.corners[i] for i in keep],
        names=[taken.names[i] for i in keep],
        second=[taken.second[i] for i in keep] if len(taken.second) == len(taken.names) else [],
    )
    step = np.diff(out.position)
    wrong = np.flatnonzero(step * np.sign(np.median(step) if step.size else 1.0) <= 0)
    if wrong.size:
        at = int(wrong[0])
        name = out.names[at + 1]
        detail = f"from {out.position[at]:g} to {out.position[at + 1]:g} µm at {name}"
        flags.append(raised(Flag.NOT_MONOTONE, detail, stops=False, frames=name))
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
    """Stars with pixels at full white or black: above 1 % the peak is withheld, above 0.1 % it is flagged."""
    out = []
    for flag, shares in (
        (Flag.SATURATED, [m.saturated_share for m in measures]),
        (Flag.BLACK_CLIPPED, [m.black_share for m in measures]),
    ):
        worst = max(shares)
        if worst > CLIPPED_SHARE:
            name = measures[int(np.argmax(shares))].star.id
            out.append(raised(flag, f"{worst:.1%} of the pixels of star {name}", stops=worst > CLIPPED_MUCH))
    return out


def of_run(run: RunCheck, names: list[str], flags: list[Raised]) -> list[Raised]:
    """Return what the frames show of the run: steps, start, frames with something in the way, order."""
    out = []
    if run.slip is not None:
        out.append(_slip_flag(run, run.slip, names))
    if run.unsettled.count:
        off_um = run.unsettled.offset_um
        which = ", ".join(names[: run.unsettled.count])
        out.append(
            raised(
                Flag.NOT_SETTLED, f"{which}, the first off by {off_um:+.1f} µm", frames=which, off_um=off_um
            )
        )
    if run.obstructed.any():
        which = ", ".join(names[k] for k in np.flatnonzero(run.obstructed))
        out.append(raised(Flag.FRAME_OBSTRUCTED, which, frames=which))
    flags[:] = [
        replace(flag, stops=_turned(run)) if flag.flag is Flag.NOT_MONOTONE else flag for flag in flags
    ]
    return out


def _slip_flag(run: RunCheck, slip: Slip, names: list[str]) -> Raised:
    """Return the flag of a step in the positions: at which frame, how large, and what both readings are."""
    name = names[slip.frame]
    what = f"a frame is missing before {name}" if slip.size > 0 else f"a frame is doubled at {name}"
    detail = f"{what} ({abs(slip.size):.2f} of a step)"
    if slip.is_sure or run.other is None:
        return raised(Flag.FRAME_SLIPPED, detail, frames=name, steps=slip.size)
    recorded, moved = run.fit.state.best_um, run.other.best_um
    detail += f": {recorded:.2f} µm as recorded, {moved:.2f} µm with it"
    return raised(Flag.MAYBE_SLIPPED, detail, stops=slip.withholds, frames=name, steps=slip.size)


def _turned(run: RunCheck) -> bool:
    """Whether frames are clearly elsewhere than recorded."""
    fit = run.fit
    clear = (fit.trust > 0.0) & (fit.offsets.precision > 0.1 * float(np.median(fit.offsets.precision)))
    off = fit.observed_um[clear] - fit.mean_um
    return bool(np.sqrt(np.mean(off**2)) > TURNED_SHARE * usual_step_um(run.position_um))


def doubts(centre: StarPeak, position: FloatArray, settings: SweepSettings) -> list[Raised]:
    """Too few frames over the peak, a peak at the end of the sweep, and bands that disagree."""
    fit = centre.fit
    used = fit.star.trust > 0.0
    z = np.sort(position[used])
    out: list[Raised] = []
    frequency = fit.star.rings.frequency_cy_mm
    coarse = fit.model[used, int(np.argmin(np.abs(frequency - settings.band_cy_mm[0])))]
    over = int(np.count_nonzero(coarse > OVER_PEAK * float(coarse.max())))
    if over < MIN_FRAMES:
        out.append(raised(Flag.TOO_FEW_FRAMES, f"{over} frames"))
    below, above = int(np.sum(z < centre.best_um)), int(np.sum(z > centre.best_um))
    if min(below, above) < 2:
        out.append(
            raised(Flag.PEAK_AT_END, f"{min(below, above)} frames lie beyond it at {centre.best_um:.1f} µm")
        )
    apart = fit.bands_apart_um
    if abs(apart) > BANDS_UM and abs(fit.w040_waves) > 3.0 * fit.w040_sd_waves:
        out.append(
            raised(
                Flag.BANDS_DISAGREE,
                f"by {abs(apart):.1f} µm, spherical aberration {fit.w040_waves:+.2f} waves",
            )
        )
    return out


def poor(stars: tuple[StarPeak, ...]) -> list[Raised]:
    """Stars that cannot be those of the named lens, or whose peak is hardly known."""
    out = []
    for star in stars:
        wide = star.sd_um > WIDE_SHARE * float(np.ptp(star.data.position_um))
        if wide or star.fit.held:
            detail = f"star {star.id}, ± {2 * star.sd_um:.1f} µm, fitted f/{star.fit.fnumber:.2g}"
            out.append(raised(Flag.POOR_FIT, detail, stops=wide))
    return out


def processed(star: StarPeak) -> list[Raised]:
    """Return flags if the camera processed the pictures: sharpening, or faint detail removed."""
    fit = star.fit
    rings = fit.star.rings
    at_peak = fit.star.model.at_peak(fit.w040_waves)
    sharp = at_peak[:, 0]
    value = np.sum(fit.star.offsets.coefficients * at_peak, axis=1)
    nu = rings.frequency_cy_mm * star.data.pitch_um * 1e-3
    contrast = value / np.maximum(sharp * pixel_transfer(nu), 1e-6)
    coarse = float(np.mean(contrast[: max(contrast.size // 6, 1)]))
    smooth = np.convolve(contrast, np.ones(3) / 3.0, mode="valid")
    rise = math.log(max(float(smooth.max()), 1e-9) / max(coarse, 1e-9))
    if rise > SHARPENED_RISE:
        top = 100.0 * (math.exp(rise) - 1.0)
        return [raised(Flag.SHARPENED, f"fine detail has {top:.0f} % more contrast than coarse detail")]
    law = fit.star.law
    expected = rings.modulation - law.residual
    faint = (np.abs(expected) < FAINT) & (np.abs(expected) > FAINTEST)
    missing = float(np.mean((law.residual * np.sign(expected))[faint])) if faint.any() else 0.0
    if fit.misfit > PROCESSED_MISFIT and missing < -PROCESSED_MISFIT:
        return [
            raised(Flag.NOISE_REDUCED, f"faint detail has {-missing:.3f} less modulation than a lens leaves")
        ]
    return []


def undershot(flags: list[Raised]) -> list[Raised]:
    """Return the flags; black that sharpening clipped, on both sides of focus alike, withholds nothing."""
    is_sharpened = any(one.flag is Flag.SHARPENED for one in flags)
    return [
        replace(one, stops=False) if is_sharpened and one.flag is Flag.BLACK_CLIPPED else one for one in flags
    ]
