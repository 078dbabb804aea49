"""The through-focus peak of a star: all rings and frames in one physical fit, with an honest interval.

Ring j of frame i is A_j · OTF(ν_j; z_i + δ_i − z0, N, W040): amplitudes A_j free (they hold contrast, pixel,
filter and the star's kind), N free within 40 %, W040 free from three starts, and δ_i the error of the
recorded position, which moves all rings of a frame together. The reported peak is that of the mean transfer
over a named band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.focus.clustered_least_squares import FrameGls, clustered_sd, t_quantile
from shimwise.imaging.focus.pupil import GREEN_UM, band_peak_um
from shimwise.imaging.focus.ring_model import (
    MAX_LOG_N,
    MAX_W040,
    FitState,
    Linearised,
    RingModel,
    filled_rings,
)
from shimwise.imaging.star.ring_data import RingData

FloatArray = NDArray[np.float64]

BAND_CY_MM = (20.0, 62.0)
"""Band over which the mean transfer is taken, cycles/mm, unless another is named."""

W040_STARTS = (0.0, -0.4, 0.4)
REFINEMENTS = 3
"""Steps of generalised least squares, each about the position errors found by the one before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakFit:
    """A star's peak and what it rests on.

    Attributes
    ----------
    best_um, sd_um, low_um, high_um : float
        Position of the band's peak, its standard uncertainty and 95 % interval, µm.
    freedom : float
        Degrees of freedom of the interval's t quantile.
    paraxial_um : float
        Position of the fitted paraxial focus, µm.
    w040_waves, w040_sd_waves : float
        Spherical aberration, waves at 0.55 µm.
    fnumber : float
        Fitted focal ratio.
    band_peaks_um : tuple of float
        Peaks of the band's lower, middle and upper third, µm.
    position_sd_um : float
        Error of the recorded positions that the rings' common shifts show, µm.
    noise_sd : float
        What is left of a modulation that rests on one pixel: its standard deviation scales with 1/√pixels.
    total_sd : float
        The same with the position errors in it.
    influence_um : ndarray
        How far each frame's residual moves the peak, µm; the sum of squares is the variance.
    amplitude : ndarray
        Amplitude A_j of each ring.
    model, model_by_position : ndarray
        Fitted modulation, and its slope by position, 1/µm, (frames, rings).
    linear : Linearised
        The fit near its optimum.
    held : bool
        Whether N or W040 is at its limit: the curves are not those of the lens that was named.
    """

    best_um: float
    sd_um: float
    low_um: float
    high_um: float
    freedom: float
    paraxial_um: float
    w040_waves: float
    w040_sd_waves: float
    fnumber: float
    band_peaks_um: tuple[float, float, float]
    position_sd_um: float
    noise_sd: float
    total_sd: float
    influence_um: FloatArray
    amplitude: FloatArray
    model: FloatArray
    model_by_position: FloatArray
    linear: Linearised
    held: bool

    @property
    def bands_apart_um(self) -> float:
        """Distance between the peaks of the band's lower and upper third, µm (upper less lower)."""
        return self.band_peaks_um[2] - self.band_peaks_um[0]


def fit_peak(
    data: RingData,
    *,
    fnumber: float,
    band_cy_mm: tuple[float, float] = BAND_CY_MM,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
    confidence: float = 0.95,
    near: PeakFit | None = None,
) -> PeakFit:
    """Fit the through-focus model to all rings and frames of a star and return the peak of the named band.

    Parameters
    ----------
    data : RingData
        The star's rings; at least 5 frames.
    fnumber : float
        Nominal focal ratio; the fit may move it by 40 %.
    band_cy_mm : tuple of float
        Lower and upper frequency of the band whose mean transfer's peak is reported, cycles/mm.
    wavelengths_um : tuple of float
        Wavelengths of equal weight, µm.
    confidence : float
        Of the interval.
    near : PeakFit, optional
        The fit of another star of the same sweep: its N and W040 are tried first, and taken as the only start
        when what is left is not more than its noise allows.

    Raises
    ------
    ImagingError
        With fewer than 5 frames or none of measurable modulation.

    Notes
    -----
    Amplitudes by variable projection [1]_ while searching; then generalised least squares with a common error
    of each frame's position, its size by restricted maximum likelihood; then frame-cluster intervals [2]_.
    The transfer is curved by position, so that slopes taken at the recorded positions leave a bias of second
    order in their errors: they are taken anew at positions corrected by the errors found [3]_. Those errors
    have the mean 0, so that the peak stays in the unit of the recorded positions, and their mean's own
    uncertainty stays in the interval.

    References
    ----------
    .. [1] G. Golub and V. Pereyra, "Separable nonlinear least squares", Inverse Problems 19 (2003).
    .. [2] R. Bell and D. McCaffrey, "Bias reduction in standard errors for linear regression with multi-stage
       samples", Survey Methodology 28 (2002): the adjusted residuals and the degrees of freedom.
    .. [3] M. J. Lindstrom and D. M. Bates, "Nonlinear mixed effects models for repeated measures data",
       Biometrics 46 (1990): linear steps about the predicted errors instead of about 0.
    """
    _refuse_empty(data)
    data = filled_rings(data)
    model = RingModel(data, fnumber, wavelengths_um)
    coarse = _coarse_peak(data)
    state = _searched(model, coarse, near, band_cy_mm)
    error_um: FloatArray | None = None
    for _ in range(REFINEMENTS):
        state, gls = model.refine(state, error_um)
        error_um = gls.common_error
    return _told(model, state, gls, band_cy_mm, confidence)


def fit_shift(
    data: RingData, fit: PeakFit, *, fnumber: float, wavelengths_um: tuple[float, ...] = (GREEN_UM,)
) -> float:
    """Position of the peak of some sectors of the same star, with N and W040 of ``fit``. [µm]"""
    model = RingModel(filled_rings(data), fnumber, wavelengths_um)
    state = FitState(fit.paraxial_um, math.log(fit.fnumber / fnumber), fit.w040_waves)
    for _ in range(6):
        _, residual, design = model.projected(state)
        step = float(design[:, 0] @ residual / (design[:, 0] @ design[:, 0]))
        state = state.moved(np.array([step, 0.0, 0.0]))
        if abs(step) < 1e-4:
            break
    return state.z0 + fit.best_um - fit.paraxial_um


def _told(
    model: RingModel, state: FitState, gls: FrameGls, band: tuple[float, float], confidence: float
) -> PeakFit:
    fnumber = model.fnumber * math.exp(state.log_n)
    edges = np.linspace(*band, 4)
    optics: dict[str, Any] = {
        "fnumber": fnumber,
        "w040_waves": state.w040,
        "wavelengths_um": model.wavelengths,
    }
    linear = Linearised.of(model, state, band, noise_sd=gls.noise_sd, error_um=gls.common_error)
    thirds = [band_peak_um(band_cy_mm=(a, b), **optics) for a, b in pairwise(edges.tolist())]
    influence, freedom = gls.influence(linear.gradient)
    sd = clustered_sd(influence)
    best, half = linear.best_um, t_quantile(confidence, freedom) * sd
    unit_w = np.zeros(gls.step.size)
    unit_w[2] = 1.0
    transfer, slopes = model.slopes(state)
    o, y = model.root * transfer, model.root * model.data.modulation
    amplitude = np.sum(o * y, axis=0) / np.maximum(np.sum(o * o, axis=0), 1e-30)
    return PeakFit(
        best_um=best,
        sd_um=sd,
        low_um=best - half,
        high_um=best + half,
        freedom=freedom,
        paraxial_um=state.z0,
        w040_waves=state.w040,
        w040_sd_waves=clustered_sd(gls.influence(unit_w)[0]),
        fnumber=fnumber,
        band_peaks_um=(state.z0 + thirds[0], state.z0 + thirds[1], state.z0 + thirds[2]),
        position_sd_um=gls.common_sd,
        noise_sd=gls.noise_sd,
        total_sd=float(np.sqrt(np.sum((y - amplitude * o) ** 2) / max(o.size - gls.step.size, 1))),
        influence_um=influence,
        amplitude=amplitude,
        model=amplitude * transfer,
        model_by_position=-amplitude * slopes[0],
        linear=linear,
        held=abs(state.log_n) >= MAX_LOG_N or abs(state.w040) >= MAX_W040,
    )


def _coarse_peak(data: RingData) -> float:
    """Position of the largest mean modulation, by a parabola through the three frames about it."""
    mean = np.sum(data.pixels * data.modulation, axis=1) / np.maximum(np.sum(data.pixels, axis=1), 1.0)
    order = np.argsort(data.position_um)
    z, m = data.position_um[order], mean[order]
    k = int(np.clip(np.argmax(m), 1, z.size - 2))
    curve = np.polyfit(z[k - 1 : k + 2] - z[k], m[k - 1 : k + 2], 2)
    shift = -curve[1] / (2 * curve[0]) if curve[0] < 0 else 0.0
    return float(z[k] + np.clip(shift, z[k - 1] - z[k], z[k + 1] - z[k]))


def _searched(
    model: RingModel, coarse_um: float, near: PeakFit | None, band: tuple[float, float]
) -> FitState:
    """Best state from the starts, or from another star's fit where that leaves little more than the noise."""

    def start(w040: float, log_n: float = 0.0) -> FitState:
        fnumber = model.fnumber * math.exp(log_n)
        peak = band_peak_um(band_cy_mm=band, fnumber=fnumber, w040_waves=w040)
        return FitState(coarse_um - peak, log_n, w040)

    if near is not None:
        log_n = math.log(near.fnumber / model.fnumber)
        state, cost = model.search(start(near.w040_waves, log_n), iterations=25)
        scatter = math.sqrt(cost / max(np.count_nonzero(model.root) - model.root.shape[1] - 3, 1))
        if scatter < 1.5 * near.total_sd:
            return state
    starts = [model.search(start(w), iterations=5) for w in W040_STARTS]
    return model.search(min(starts, key=lambda found: found[1])[0], iterations=25)[0]


def _refuse_empty(data: RingData) -> None:
    frames = data.position_um.size
    if frames < 5:
        raise ImagingError(f"A peak cannot be fitted to {frames} frames: record at least 7 over the peak.")
    if not np.any(np.abs(data.modulation) * (data.pixels > 0) > 1e-4):
        raise ImagingError(
            "No modulation is left in any frame: the star is blurred away or is not in the picture."
        )
