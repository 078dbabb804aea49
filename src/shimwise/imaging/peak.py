"""The through-focus peak of a star: all rings and frames in one physical fit, with an honest interval.

Ring j of frame i is A_j · OTF(ν_j; z_i + δ_i − z0, N, W040): amplitudes A_j free (they hold contrast, pixel,
filter and the star's kind), N free within 40 %, W040 free from three starts, and δ_i the error of the
recorded position, which moves all rings of a frame together. The peak told is that of the mean lens transfer
over a named band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import ImagingError
from shimwise.imaging.clusters import FrameGls, clustered_sd, t_quantile
from shimwise.imaging.pupil import GREEN_UM, BandPeak, band_peak, band_peak_um, transfer_slopes
from shimwise.imaging.response import Response, plain_response

__all__ = ["BAND_CY_MM", "Linearised", "PeakFit", "RingData", "fit_peak", "fit_shift"]

FloatArray = NDArray[np.float64]

BAND_CY_MM = (20.0, 62.0)
"""Band over which the mean transfer is taken, cycles/mm, unless another is named."""

W040_STARTS = (0.0, -0.4, 0.4)
MAX_LOG_N = math.log(1.4)
MAX_W040 = 2.5
SD_FACTOR = 1.05
"""What standard uncertainties are raised by: in simulation with exact positions (700 sweeps, f/1.4 to f/4)
intervals without it held 93 %, about 5 % too short. An empirical factor; its cause is not known.
"""
REFINEMENTS = 3
"""Steps of generalised least squares, each about the position errors found by the one before."""


@dataclass(frozen=True, slots=True)
class RingData:
    """Signed modulation of the rings of one star through a sweep.

    ``modulation`` and ``pixels`` (how many pixels each value rests on) have the shape (frames, rings);
    ``position_um`` (frames,), ``frequency_cy_mm`` (rings,) at the reference position. ``detuning`` (frames,
    rings) is how far, as a share, the frequency at the sensor that a value shows lies from its ring's: the
    picture grows through a sweep, and the pixels between a ring's edges change. ``pitch_um`` is the pixel's,
    whose own transfer changes with it. ``response`` tells which frequencies each ring shows; without it its
    own alone.
    """

    position_um: FloatArray
    frequency_cy_mm: FloatArray
    modulation: FloatArray
    pixels: FloatArray
    detuning: FloatArray | None = None
    pitch_um: float = 0.0
    response: Response | None = None


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
        How far each frame's residual moves the peak, µm; 1.05² times the sum of squares is the variance.
    amplitude : ndarray
        Amplitude A_j of each ring.
    model, model_by_position : ndarray
        Fitted modulation, and its slope by position, 1/µm, (frames, rings).
    linear : Linearised
        The fit near its optimum.
    held : bool
        Whether N or W040 stands at its limit: the curves are not those of the lens that was named.
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


@dataclass(frozen=True, slots=True)
class Linearised:
    """A star's fit near its optimum, in units of its noise: what several stars need to be fitted as one.

    Attributes
    ----------
    residual, design, common : ndarray
        Residuals (frames, rings), their slopes by the unknowns (frames, rings, unknowns) and by the frame's
        position error. Slopes are taken where the frames are believed to stand, and the residuals are those
        of the straight lines through there at the recorded positions.
    gradient : ndarray
        Slope of the reported peak by the unknowns.
    best_um : float
        The reported peak at no step, in the unit of the recorded positions.
    """

    residual: FloatArray
    design: FloatArray
    common: FloatArray
    gradient: FloatArray
    best_um: float
    _model: _Model
    _state: _State
    _noise_sd: float
    _band: tuple[float, float]

    @classmethod
    def of(
        cls,
        model: _Model,
        state: _State,
        band: tuple[float, float],
        *,
        noise_sd: float,
        error_um: FloatArray | None = None,
    ) -> Linearised:
        """Linearise at a state, every frame ``error_um`` before its recorded position."""
        residual, design = model.linearised(state, error_um)
        scale = max(noise_sd, 1e-12)
        whole = model.band_peak(state, band)
        gradient = np.zeros(design.shape[2])
        gradient[:3] = 1.0, whole.by_log_fnumber, whole.by_w040
        best = state.z0 + whole.peak_um
        design = design / scale
        return cls(residual / scale, design, design[..., 0], gradient, best, model, state, noise_sd, band)

    def moved(self, step: FloatArray, error_um: FloatArray) -> Linearised:
        """Linearise again after a step of the unknowns, with the frames' position errors as now known."""
        return Linearised.of(
            self._model, self._state.moved(step), self._band, noise_sd=self._noise_sd, error_um=error_um
        )


class _State(NamedTuple):
    """Unknowns: paraxial focus [µm], ln(N/nominal), W040 [waves]."""

    z0: float
    log_n: float
    w040: float

    def moved(self, step: FloatArray) -> _State:
        log_n = float(np.clip(self.log_n + step[1], -MAX_LOG_N, MAX_LOG_N))
        w040 = float(np.clip(self.w040 + step[2], -MAX_W040, MAX_W040))
        return _State(self.z0 + float(step[0]), log_n, w040)


def fit_peak(
    data: RingData,
    *,
    fnumber: float,
    band_cy_mm: tuple[float, float] = BAND_CY_MM,
    wavelengths_um: tuple[float, ...] = (GREEN_UM,),
    confidence: float = 0.95,
    near: PeakFit | None = None,
) -> PeakFit:
    """Fit the through-focus model to all rings and frames of a star and give the peak of the named band.

    Parameters
    ----------
    data : RingData
        The star's rings; at least 5 frames.
    fnumber : float
        Nominal focal ratio; the fit may move it by 40 %.
    band_cy_mm : tuple of float
        Lower and upper frequency of the band whose mean transfer's peak is told, cycles/mm.
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
    order in their errors: they are taken anew where the frames stand by the errors found [3]_. Those errors
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
    data = _filled_rings(data)
    model = _Model(data, fnumber, wavelengths_um)
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
    model = _Model(_filled_rings(data), fnumber, wavelengths_um)
    state = _State(fit.paraxial_um, math.log(fit.fnumber / fnumber), fit.w040_waves)
    for _ in range(6):
        _, residual, design = model.projected(state)
        step = float(design[:, 0] @ residual / (design[:, 0] @ design[:, 0]))
        state = state.moved(np.array([step, 0.0, 0.0]))
        if abs(step) < 1e-4:
            break
    return state.z0 + fit.best_um - fit.paraxial_um


class _Model:
    """Residuals and slopes of the rings at a state."""

    def __init__(self, data: RingData, fnumber: float, wavelengths_um: tuple[float, ...]) -> None:
        self.data, self.fnumber, self.wavelengths = data, fnumber, wavelengths_um
        self.root = np.sqrt(data.pixels)
        self.response = data.response or plain_response(data.frequency_cy_mm)
        pixel, self.pixel_slope = _pixel(self.response.nodes_cy_mm * data.pitch_um * 1e-3)
        self.mix = pixel[:, None] * self.response.mix / (pixel @ self.response.mix)

    def band_peak(self, state: _State, band: tuple[float, float]) -> BandPeak:
        """Peak of the band's mean transfer from the paraxial focus, and its slopes."""
        return band_peak(
            band_cy_mm=band,
            fnumber=self.fnumber * math.exp(state.log_n),
            w040_waves=state.w040,
            wavelengths_um=self.wavelengths,
        )

    def slopes(self, state: _State, error_um: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Transfer (frames, rings) and its slopes by z0, ln N and W040 (3, frames, rings)."""
        defocus = self.data.position_um - state.z0
        if error_um is not None:
            defocus = defocus - error_um
        out = transfer_slopes(
            self.response.nodes_cy_mm,
            defocus,
            fnumber=self.fnumber * math.exp(state.log_n),
            w040_waves=state.w040,
            wavelengths_um=self.wavelengths,
        )
        mix = self.mix
        value = out.value @ mix
        if self.data.detuning is not None:
            # ν ∂/∂ν at fixed N from the slopes at hand: ln N scales both ν and, by -2, the defocus.
            by_log_frequency = out.by_log_fnumber + 2.0 * defocus[:, None] * out.by_defocus
            value += self.data.detuning * ((by_log_frequency + self.pixel_slope * out.value) @ mix)
        return value, np.stack([-out.by_defocus @ mix, out.by_log_fnumber @ mix, out.by_w040 @ mix])

    def projected(self, state: _State) -> tuple[float, FloatArray, FloatArray]:
        """Cost, weighted residual and its design with the amplitudes projected out (Kaufman's form)."""
        transfer, slopes = self.slopes(state)
        y, o, s = self.root * self.data.modulation, self.root * transfer, self.root * slopes
        power = np.maximum(np.sum(o * o, axis=0), 1e-30)
        amplitude = np.sum(o * y, axis=0) / power
        residual = y - amplitude * o
        s = amplitude * s
        s = s - o * (np.sum(s * o, axis=1, keepdims=True) / power)
        return float(np.sum(residual**2)), residual.ravel(), s.reshape(3, -1).T

    def search(self, state: _State, *, iterations: int) -> tuple[_State, float]:
        """Levenberg-Marquardt from a start; returns the state and its cost."""
        cost, residual, design = self.projected(state)
        damping = 1e-2
        for _ in range(iterations):
            gram = design.T @ design
            step = np.asarray(
                np.linalg.solve(gram + damping * np.diag(np.diag(gram) + 1e-30), design.T @ residual),
                dtype=np.float64,
            )
            trial = state.moved(step)
            found = self.projected(trial)
            if found[0] < cost:
                done = cost - found[0] < 1e-6 * cost
                state, (cost, residual, design) = trial, found
                damping = max(damping * 0.2, 1e-9)
                if done:
                    break
            else:
                damping *= 8.0
                if damping > 1e6:
                    break
        return state, cost

    def refine(self, state: _State, error_um: FloatArray | None) -> tuple[_State, FrameGls]:
        """One step of generalised least squares with all amplitudes as unknowns."""
        residual, design = self.linearised(state, error_um)
        gls = FrameGls.estimate(residual, design, common=design[..., 0])
        return state.moved(gls.step[:3]), gls

    def linearised(self, state: _State, error_um: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """Weighted residuals (frames, rings) and their slopes by z0, ln N, W040 and the amplitudes.

        Slopes are those at the recorded positions less ``error_um``; residuals are then of the straight line
        through there, read at the recorded positions.
        """
        transfer, slopes = self.slopes(state, error_um)
        y, o = self.root * self.data.modulation, self.root * transfer
        amplitude = np.sum(o * y, axis=0) / np.maximum(np.sum(o * o, axis=0), 1e-30)
        frames, rings = o.shape
        design = np.zeros((frames, rings, 3 + rings))
        free = np.array([1.0, abs(state.log_n) < MAX_LOG_N, abs(state.w040) < MAX_W040])
        design[..., :3] = free * np.moveaxis(self.root * amplitude * slopes, 0, -1)
        design[:, np.arange(rings), 3 + np.arange(rings)] = o
        residual = y - amplitude * o
        if error_um is not None:
            residual = residual + design[..., 0] * error_um[:, None]
        return residual, design


def _told(
    model: _Model, state: _State, gls: FrameGls, band: tuple[float, float], confidence: float
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
    sd = SD_FACTOR * clustered_sd(influence)
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


def _searched(model: _Model, coarse_um: float, near: PeakFit | None, band: tuple[float, float]) -> _State:
    """Best state from the starts, or from another star's fit where that leaves little more than the noise."""

    def start(w040: float, log_n: float = 0.0) -> _State:
        fnumber = model.fnumber * math.exp(log_n)
        peak = band_peak_um(band_cy_mm=band, fnumber=fnumber, w040_waves=w040)
        return _State(coarse_um - peak, log_n, w040)

    if near is not None:
        log_n = math.log(near.fnumber / model.fnumber)
        state, cost = model.search(start(near.w040_waves, log_n), iterations=25)
        scatter = math.sqrt(cost / max(np.count_nonzero(model.root) - model.root.shape[1] - 3, 1))
        if scatter < 1.5 * near.total_sd:
            return state
    starts = [model.search(start(w), iterations=5) for w in W040_STARTS]
    return model.search(min(starts, key=lambda found: found[1])[0], iterations=25)[0]


def _pixel(cycles_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transfer of a square pixel, mean over directions, and the slope of its ln by ln of the frequency.

    It stands within a ring's mean over frequencies: beside the blur's own curve it changes that mean.
    """
    turn = (np.arange(16) + 0.5) * np.pi / 32.0
    x = np.pi * cycles_px[:, None] * np.cos(turn)
    y = np.pi * cycles_px[:, None] * np.sin(turn)
    each = np.sinc(x / np.pi) * np.sinc(y / np.pi)
    safe = np.where(np.abs(x) < 1e-4, 1e-4, x), np.where(np.abs(y) < 1e-4, 1e-4, y)
    slope = sum(v / np.tan(v) - 1.0 for v in safe)
    mean = np.mean(each, axis=1)
    return mean, np.mean(each * slope, axis=1) / mean


def _filled_rings(data: RingData) -> RingData:
    """Leave out rings without pixels in any frame."""
    full = np.any(data.pixels > 0, axis=0)
    response = data.response and replace(data.response, mix=data.response.mix[:, full])
    return replace(
        data,
        response=response,
        detuning=None if data.detuning is None else data.detuning[:, full],
        frequency_cy_mm=data.frequency_cy_mm[full],
        modulation=data.modulation[:, full],
        pixels=data.pixels[:, full],
    )


def _refuse_empty(data: RingData) -> None:
    frames = data.position_um.size
    if frames < 5:
        raise ImagingError(f"A peak cannot be fitted to {frames} frames: record at least 7 over the peak.")
    if not np.any(np.abs(data.modulation) * (data.pixels > 0) > 1e-4):
        raise ImagingError(
            "No modulation is left in any frame: the star is blurred away or is not in the picture."
        )
