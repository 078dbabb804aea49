"""The peak of a single star's rings, as a sweep fits it for each of its stars."""

from shimwise.imaging.focus.fit.ring_model import star_rings
from shimwise.imaging.focus.fit.star_fit import fit_star
from shimwise.imaging.focus.lens.law_fit import Lens
from shimwise.imaging.focus.peak import BAND_CY_MM, PeakFit, peak_of
from shimwise.imaging.star.ring_data import RingData


def fit_peak(data: RingData, *, fnumber: float) -> PeakFit:
    """Fit the rings of a star and return the peak of the usual band in green light."""
    lens = Lens(fnumber=fnumber, band_cy_mm=BAND_CY_MM)
    return peak_of(fit_star(star_rings(data), lens), lens)
