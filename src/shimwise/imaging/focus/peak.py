"""A star's through-focus peak as the sweep reports it: the fit of its rings, with an honest interval."""

import math
from dataclasses import dataclass, replace

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.imaging.focus.fit.interval import Influence, floor_um, influence_of, peak_variance, t_quantile
from shimwise.imaging.focus.fit.ring_model import star_rings
from shimwise.imaging.focus.fit.rings import StarRings
from shimwise.imaging.focus.fit.star_fit import StarFit, fit_star
from shimwise.imaging.focus.lens.law_fit import MAX_LOG_N, Lens, template_of
from shimwise.imaging.star.ring_data import RingData

BAND_CY_MM = (20.0, 62.0)
"""Band over which the mean transfer is taken, cycles/mm, unless another is named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakFit:
    """A star's peak and what it rests on.

    Attributes
    ----------
    best_um, sd_um, low_um, high_um : float
        Position of the band's peak, its standard uncertainty and 95 % interval, µm.
    floor_um : float
        Share of the half width that a wrong law may cause, µm.
    w040_waves, w040_sd_waves : float
        Spherical aberration, waves at 0.55 µm.
    fnumber : float
        Fitted focal ratio.
    position_sd_um : float
        Error of the recorded positions that the rings' common shifts show, µm.
    misfit : float
        Root mean square by which the rings depart from the law alone, in modulation.
    influence : Influence
        How far leaving out each frame moves the peak and W040.
    model, model_by_position : ndarray
        Fitted modulation, and its slope by position, 1/µm, (frames, rings).
    star : StarFit
        The fit itself.
    lens : Lens
        What was known of the lens.
    held : bool
        Whether N is at its limit: the curves are not those of the lens that was named.
    """

    best_um: float
    sd_um: float
    low_um: float
    high_um: float
    floor_um: float
    w040_waves: float
    w040_sd_waves: float
    fnumber: float
    position_sd_um: float
    misfit: float
    influence: Influence
    model: FloatArray
    model_by_position: FloatArray
    star: StarFit
    lens: Lens
    held: bool

    @property
    def bands_apart_um(self) -> float:
        """Distance between the peaks of the band's lower and upper third, µm (upper less lower)."""
        low, high = self.lens.band_cy_mm
        third = (high - low) / 3.0

        def peak_um(band: tuple[float, float]) -> float:
            lens = replace(self.lens, band_cy_mm=band)
            template = template_of(self.star.rings, lens, self.star.law.state.log_n)
            return template.slice(self.w040_waves).peak_um

        return peak_um((high - third, high)) - peak_um((low, low + third))


def peak_of(fit: StarFit, lens: Lens) -> PeakFit:
    """Return the peak of a star's fit with its interval.

    Notes
    -----
    The half width is Student's t times the larger of the delete-one-frame standard deviation and that of the
    weighted mean, in quadrature with the floor of :func:`floor_um`.
    """
    influence = influence_of(fit)
    freedom = max(float(np.count_nonzero(influence.used)) - 1.0, 1.0)
    floor = floor_um(fit.model.template.fnumber, fit.state.w040)
    scatter = math.sqrt(peak_variance(fit, influence))
    half = math.hypot(t_quantile(freedom) * scatter, floor)
    fnumber = lens.fnumber * math.exp(fit.law.state.log_n)
    best = fit.state.best_um
    terms, slopes = fit.model.functions(fit.state)
    used = fit.trust > 0.0
    return PeakFit(
        best_um=best,
        sd_um=math.hypot(scatter, floor / 2.0),
        low_um=best - half,
        high_um=best + half,
        floor_um=floor,
        w040_waves=fit.state.w040,
        w040_sd_waves=math.sqrt(influence.variance(influence.w040)),
        fnumber=fnumber,
        position_sd_um=math.sqrt(fit.variances.position_um2),
        misfit=float(np.sqrt(np.mean(fit.law.residual[used] ** 2))),
        influence=influence,
        model=np.einsum("kjb,jb->kj", terms, fit.offsets.coefficients),
        model_by_position=np.einsum("kjb,jb->kj", slopes, fit.offsets.coefficients),
        star=fit,
        lens=lens,
        held=abs(fit.law.state.log_n) >= MAX_LOG_N - 1e-6,
    )


def fit_shift(data: RingData, fit: PeakFit) -> float:
    """Return the peak of some sectors of the same star, with N of ``fit``, on the same frames. [µm]"""
    star = fit.star
    rings = star_rings(data).at(star.rings.position_um)
    part: StarRings = replace(rings, nodes=star.rings.nodes)
    return fit_star(part, fit.lens, law=star.law, keep=star.trust > 0.0).state.best_um
