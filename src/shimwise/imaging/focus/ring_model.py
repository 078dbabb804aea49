"""What a star's rings should show at a state of the lens, and how that changes with it.

Ring j of frame i is A_j · OTF(ν_j; z_i − z0, N, W040), the pixel's transfer within the ring's mean over
frequencies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from shimwise.imaging.focus.clustered_least_squares import FrameGls
from shimwise.imaging.focus.pupil import BandPeak, band_peak, transfer_slopes
from shimwise.imaging.star.response import plain_response
from shimwise.imaging.star.ring_data import RingData

FloatArray = NDArray[np.float64]

MAX_LOG_N = math.log(1.4)
"""How far ln N may go from the named focal ratio's."""

MAX_W040 = 2.5
"""Largest spherical aberration, waves."""


class FitState(NamedTuple):
    """Unknowns: paraxial focus [µm], ln(N/nominal), W040 [waves]."""

    z0: float
    log_n: float
    w040: float

    def moved(self, step: FloatArray) -> FitState:
        """Take a step of the first three unknowns, N and W040 within their limits."""
        log_n = float(np.clip(self.log_n + step[1], -MAX_LOG_N, MAX_LOG_N))
        w040 = float(np.clip(self.w040 + step[2], -MAX_W040, MAX_W040))
        return FitState(self.z0 + float(step[0]), log_n, w040)


@dataclass(frozen=True, slots=True)
class Linearised:
    """A star's fit near its optimum, in units of its noise: what several stars need to be fitted as one.

    Attributes
    ----------
    residual, design, common : ndarray
        Residuals (frames, rings), their slopes by the unknowns (frames, rings, unknowns) and by the frame's
        position error. Slopes are taken at the estimated positions of the frames, and the residuals are those
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
    _model: RingModel
    _state: FitState
    _noise_sd: float
    _band: tuple[float, float]

    @classmethod
    def of(
        cls,
        model: RingModel,
        state: FitState,
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


class RingModel:
    """Residuals and slopes of the rings at a state."""

    def __init__(self, data: RingData, fnumber: float, wavelengths_um: tuple[float, ...]) -> None:
        self.data, self.fnumber, self.wavelengths = data, fnumber, wavelengths_um
        self.root = np.sqrt(data.pixels)
        self.response = data.response or plain_response(data.frequency_cy_mm)
        pixel, self.pixel_slope = _pixel(self.response.nodes_cy_mm * data.pitch_um * 1e-3)
        self.mix = pixel[:, None] * self.response.mix / (pixel @ self.response.mix)

    def band_peak(self, state: FitState, band: tuple[float, float]) -> BandPeak:
        """Peak of the band's mean transfer from the paraxial focus, and its slopes."""
        return band_peak(
            band_cy_mm=band,
            fnumber=self.fnumber * math.exp(state.log_n),
            w040_waves=state.w040,
            wavelengths_um=self.wavelengths,
        )

    def slopes(self, state: FitState, error_um: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
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

    def projected(self, state: FitState) -> tuple[float, FloatArray, FloatArray]:
        """Cost, weighted residual and its design with the amplitudes projected out (Kaufman's form)."""
        transfer, slopes = self.slopes(state)
        y, o, s = self.root * self.data.modulation, self.root * transfer, self.root * slopes
        power = np.maximum(np.sum(o * o, axis=0), 1e-30)
        amplitude = np.sum(o * y, axis=0) / power
        residual = y - amplitude * o
        s = amplitude * s
        s = s - o * (np.sum(s * o, axis=1, keepdims=True) / power)
        return float(np.sum(residual**2)), residual.ravel(), s.reshape(3, -1).T

    def search(self, state: FitState, *, iterations: int) -> tuple[FitState, float]:
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

    def refine(self, state: FitState, error_um: FloatArray | None) -> tuple[FitState, FrameGls]:
        """One step of generalised least squares with all amplitudes as unknowns."""
        residual, design = self.linearised(state, error_um)
        gls = FrameGls.estimate(residual, design, common=design[..., 0])
        return state.moved(gls.step[:3]), gls

    def linearised(
        self, state: FitState, error_um: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
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


def _pixel(cycles_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Transfer of a square pixel, mean over directions, and the slope of its ln by ln of the frequency.

    It belongs inside a ring's mean over frequencies: beside the blur's own curve it changes that mean.
    """
    turn = (np.arange(16) + 0.5) * np.pi / 32.0
    x = np.pi * cycles_px[:, None] * np.cos(turn)
    y = np.pi * cycles_px[:, None] * np.sin(turn)
    each = np.sinc(x / np.pi) * np.sinc(y / np.pi)
    safe = np.where(np.abs(x) < 1e-4, 1e-4, x), np.where(np.abs(y) < 1e-4, 1e-4, y)
    slope = sum(v / np.tan(v) - 1.0 for v in safe)
    mean = np.mean(each, axis=1)
    return mean, np.mean(each * slope, axis=1) / mean


def filled_rings(data: RingData) -> RingData:
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
