"""The rings about a trial peak: even part free in every ring, odd part shared, and their slopes.

A law that is a little wrong, the width, sharpening and noise reduction change the rings alike on either
side of the peak. They are even in defocus, so that a free even part takes them up and leaves the peak where
it is.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.fit.even_odd_kernel import even_odd_terms
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.lens.law import MAX_WAVES, wave_depth_um
from shimwise.imaging.focus.lens.template import StarTemplate

EVEN_TERMS = 7
"""Even functions of each ring: the template, two widths, two shoulders... and two powers."""

WIDTH = 0.1
"""Change of ln N in the two width terms."""

SHOULDER_WAVES = 0.4
"""Shift in the shoulder term, in waves of defocus at the pupil's edge."""

W040_STEP = 0.02
"""Step of the slope by W040, waves: far above the rounding of the interpolated table."""


class PeakState(NamedTuple):
    """Unknowns shared by the rings: peak of the band [µm] and spherical aberration [waves]."""

    best_um: float
    w040: float


@dataclass(frozen=True, slots=True)
class Linear:
    """Rings linearised about a state, weighted by the root of their pixels.

    Attributes
    ----------
    rest : ndarray
        Residuals (frames, rings).
    by_best : ndarray
        Slope of the model by the peak, 1/µm, (frames, rings).
    by_w040 : ndarray
        Slope by the aberration, (frames, rings).
    terms : ndarray
        Slope by the coefficients of each ring, (frames, rings, terms).
    model : ndarray
        The model itself, unweighted, (frames, rings).
    """

    rest: FloatArray
    by_best: FloatArray
    by_w040: FloatArray
    terms: FloatArray
    model: FloatArray


class EvenOdd:
    """Model of a star's rings: A_j·(T_even + O + growth) + Σ a_jb·(even term b).

    Parameters
    ----------
    rings : StarRings
        The star.
    template : StarTemplate
        Its template at the fitted focal ratio.
    """

    def __init__(self, rings: StarRings, template: StarTemplate) -> None:
        self.rings, self.template = rings, template
        self.root = np.sqrt(rings.pixels)

    def at_peak(self, w040_waves: float) -> FloatArray:
        """Return the terms at the peak, without growth, (rings, terms)."""
        terms, _ = self._terms(PeakState(0.0, w040_waves), np.zeros(1), np.zeros((1, 1)))
        return np.asarray(terms[0], dtype=np.float64)

    def functions(
        self, state: PeakState, shift_um: FloatArray | float = 0.0
    ) -> tuple[FloatArray, FloatArray]:
        """Return the terms and their slopes by position, (frames, rings, terms) each.

        ``shift_um`` is the estimate of how far each frame is short of its recorded position.
        """
        zeta = self.rings.position_um - shift_um - state.best_um
        return self._terms(state, zeta, self.rings.detuning)

    def _terms(
        self, state: PeakState, zeta: FloatArray, detuning: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        part = self.template.slice(state.w040)
        away_um = SHOULDER_WAVES * wave_depth_um(self.template.fnumber)
        detuning = np.ascontiguousarray(detuning)  # the kernel is compiled for each order of an array
        terms, slopes = even_odd_terms(
            part.rows, part.first_um, part.step_um, part.peak_um, zeta, detuning, WIDTH, away_um
        )
        return np.asarray(terms), np.asarray(slopes)

    def linear(
        self, state: PeakState, coefficients: FloatArray, shift_um: FloatArray | float = 0.0
    ) -> Linear:
        """Linearise about a state and the rings' coefficients (rings, terms)."""
        terms, slopes = self.functions(state, shift_um)
        model = np.einsum("kjb,jb->kj", terms, coefficients)
        by_best = -np.einsum("kjb,jb->kj", slopes, coefficients)
        step = W040_STEP if state.w040 + W040_STEP <= MAX_WAVES else -W040_STEP
        moved, _ = self.functions(state._replace(w040=state.w040 + step), shift_um)
        by_w040 = np.einsum("kjb,jb->kj", moved - terms, coefficients) / step
        root = self.root
        return Linear(
            root * (self.rings.modulation - model),
            root * by_best,
            root * by_w040,
            root[..., None] * terms,
            model,
        )
