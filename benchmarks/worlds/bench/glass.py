"""Where a thick lens focuses, from its conjugates: the distance that its ring shows when a chart is sharp.

Gauss's equation 1/u + 1/v = 1/f with the principal planes ``separation`` apart: the chart lies
u + separation + v from the sensor plane. Between the two solutions for v a taking lens has the smaller one
(the chart is farther away than the sensor). Source: any text on geometrical optics, such as Hecht, *Optics*,
section 6.1 (thick lenses; cited from memory).
"""

import math
from dataclasses import dataclass

from scipy.optimize import brentq

UM_PER_MM = 1000.0


def image_distance_mm(*, focal_mm: float, separation_mm: float, distance_mm: float) -> float:
    """Compute the distance from the rear principal plane to the sharp picture [mm].

    From u·v = f·(u + v) and u + v = distance − separation, the smaller root v. The root is taken in the form
    without a difference of near-equal numbers. Raises ValueError where the chart is too near to be sharp.
    """
    if math.isinf(distance_mm):
        return focal_mm
    span = distance_mm - separation_mm
    under = span * (span - 4 * focal_mm)
    if under < 0:
        raise ValueError(f"A chart at {distance_mm} mm cannot be sharp with a focal length of {focal_mm} mm")
    return 2 * focal_mm * span / (span + math.sqrt(under))


def chart_distance_mm(*, focal_mm: float, separation_mm: float, image_mm: float) -> float:
    """Compute the distance from the sensor at which a chart is sharp, from the image distance [mm]."""
    if image_mm <= focal_mm:
        return math.inf
    return image_mm + separation_mm + focal_mm * image_mm / (image_mm - focal_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class InnerFocus:
    """How a lens with moving inner groups changes with the ring, as shares of its nearest setting.

    At the ring setting R, x = (near/R)^power: the focal length is f·(1 − focal_loss·x), the principal planes
    lie separation + separation_gain_mm·x apart. The law is invented; its size is that of a traced
    telephoto with a moving rear group, whose f falls by 15.5 % at 3 ft (tests/reference/README.md, item 1).
    """

    focal_loss: float = 0.15
    separation_gain_mm: float = -12.0
    power: float = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Glass:
    """The optics of a lens at one focal length, and the ring cut for it.

    Attributes
    ----------
    focal_mm, separation_mm
        True focal length and separation of the principal planes at infinity [mm].
    near_mm
        Nearest setting of the ring [mm].
    inner
        How they change with the ring; None for a lens that moves as a whole.
    marks_cut_for_mm
        Focal length that the marks were computed for [mm]; None where they fit the glass.
    """

    focal_mm: float
    separation_mm: float
    near_mm: float
    inner: InnerFocus | None = None
    marks_cut_for_mm: float | None = None

    def at_ring(self, ring_mm: float) -> tuple[float, float]:
        """Return focal length and separation [mm] with the ring at ``ring_mm``."""
        if self.inner is None:
            return self.focal_mm, self.separation_mm
        share = (self.near_mm / ring_mm) ** self.inner.power
        focal = self.focal_mm * (1 - self.inner.focal_loss * share)
        return focal, self.separation_mm + self.inner.separation_gain_mm * share

    def extension_mm(self, ring_mm: float) -> float:
        """Return how far behind the rear focal point a true sensor lies with the ring there [mm]."""
        focal, separation = self.at_ring(ring_mm)
        focal = self.marks_cut_for_mm or focal
        return (
            image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=ring_mm) - focal
            if math.isfinite(ring_mm)
            else 0.0
        )

    def ring_share(self, ring_mm: float) -> float:
        """Return the ring's turn from infinity (0) to its nearest setting (1)."""
        if self.inner is not None:
            return self.near_mm / ring_mm
        return self.extension_mm(ring_mm) / self.extension_mm(self.near_mm)

    def ring_at_share(self, share: float) -> float:
        """Return the setting [mm] at a turn of ``share`` from infinity."""
        if share <= 0:
            return math.inf
        if self.inner is not None:
            return self.near_mm / share
        focal = self.marks_cut_for_mm or self.focal_mm
        image = focal + share * self.extension_mm(self.near_mm)
        return chart_distance_mm(focal_mm=focal, separation_mm=self.separation_mm, image_mm=image)

    def sharp_ring_mm(self, *, chart_mm: float, error_um: float, scale_permille: float = 0.0) -> float:
        """Compute the setting of the ring at which a chart is sharp [mm], between its two stops.

        Parameters
        ----------
        chart_mm
            True distance of the chart from the sensor plane [mm], infinite allowed.
        error_um
            How much farther behind the lens the sensor lies than the marks assume [µm].
        scale_permille
            How much more the lens extends than its marks say, of the extension [‰].

        Returns
        -------
        float
            The setting; infinite at the infinity stop, ``near_mm`` at the other.
        """
        error = error_um / UM_PER_MM

        def behind(vergence: float) -> float:
            """How far the sensor lies behind the sharp picture with the ring at 1/vergence [mm]."""
            ring = 1 / vergence if vergence else math.inf
            focal, separation = self.at_ring(ring)
            needed = image_distance_mm(focal_mm=focal, separation_mm=separation, distance_mm=chart_mm)
            return focal + self.extension_mm(ring) * (1 + scale_permille / 1000) + error - needed

        if behind(0.0) >= 0:
            return math.inf
        nearest = 1 / self.near_mm
        if behind(nearest) <= 0:
            return self.near_mm
        return 1 / float(brentq(behind, 0.0, nearest, xtol=1e-16, rtol=1e-13))
