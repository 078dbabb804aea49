"""Distances and what they mean at the sensor: magnification, extension, landing from reading and back.

Distances are in mm from the sensor plane (the witness mark), infinite allowed. The forms are exact for a lens
that focuses as a whole; a lens that focuses inside obeys them with its focal length and separation at that
distance. The first-order form m²·(R − D) is not used: it is far off on short lenses and far marks.

References
----------
.. [1] E. Hecht, *Optics*, ch. 5 and 6: conjugates of thin and thick lenses (from memory). With object and
   image f(1 + 1/m) and f(1 + m) from the principal planes, H apart: X = f(2 + m + 1/m) + H.
"""

from typing import NoReturn

import numpy as np

from shimwise.arrays import BoolArray, FloatArray
from shimwise.errors import OpticsError
from shimwise.optics._values import Q, finite, first, plain, positive, positive_or_infinite

ROUNDING = 8 * np.finfo(np.float64).eps
"""Share of m(D) below which m(R) is rounding only, and the reading infinity."""


def magnification(*, focal_mm: Q | float, distance_mm: Q | float, separation_mm: Q | float = 0.0) -> Q:
    """Size of the picture over the size of the chart, upright sign left out [1, from 0 at infinity to 1].

    The smaller root m of f(2 + m + 1/m) + H = X, in a form without cancellation at far distances.

    Parameters
    ----------
    focal_mm
        Focal length f [mm], > 0.
    distance_mm
        Distance X from the sensor plane [mm], infinite allowed.
    separation_mm
        Separation H of the principal planes [mm], of either sign; 0 when unknown.

    Returns
    -------
    float or array
        Magnification; 0 at infinity.

    Raises
    ------
    OpticsError
        When a value is no number, f is not above 0, or X lies inside the near limit 4f + H.
    """
    f, h = _lens(focal_mm, separation_mm)
    m = _smaller_root(f, positive_or_infinite("distance [mm]", distance_mm), h)
    return plain(m, focal_mm, distance_mm, separation_mm)


def front_magnification(*, focal_mm: Q | float, object_mm: Q | float) -> Q:
    """Magnification f/(s − f) of a subject at s from the *front principal plane* [1, > 0, 0 at infinity].

    Parameters
    ----------
    focal_mm
        Focal length f [mm], > 0.
    object_mm
        Distance s from the front principal plane [mm], infinite allowed.

    Raises
    ------
    OpticsError
        When s is not above f: such a subject has no picture on a sensor.
    """
    f, s = positive("focal length [mm]", focal_mm), object_beyond_focus(focal_mm, object_mm)
    return plain(f / (s - f), focal_mm, object_mm)


def extension_mm(*, focal_mm: Q | float, distance_mm: Q | float, separation_mm: Q | float = 0.0) -> Q:
    """Extension of the lens from its infinity position, f·m [mm, from 0 at infinity].

    Parameters and errors as :func:`magnification`.
    """
    f, h = _lens(focal_mm, separation_mm)
    extension = f * _smaller_root(f, positive_or_infinite("distance [mm]", distance_mm), h)
    return plain(extension, focal_mm, distance_mm, separation_mm)


def landing_um(
    *, focal_mm: Q | float, distance_mm: Q | float, reading_mm: Q | float, separation_mm: Q | float = 0.0
) -> Q:
    """Error at the sensor when a chart at ``distance_mm`` is sharp at ``reading_mm`` [µm, short < 0 < deep].

    z = f·(m(D) − m(R)).

    Parameters
    ----------
    focal_mm
        Focal length f [mm], > 0.
    distance_mm, reading_mm
        Taped distance D and where the lens scale is R, both from the sensor plane [mm], infinite allowed.
    separation_mm
        Separation H of the principal planes [mm], of either sign; 0 when unknown.

    Raises
    ------
    OpticsError
        As :func:`magnification`, for D or for R.
    """
    f, h = _lens(focal_mm, separation_mm)
    m_chart = _smaller_root(f, positive_or_infinite("distance [mm]", distance_mm), h)
    m_scale = _smaller_root(f, positive_or_infinite("reading [mm]", reading_mm), h)
    return plain(1e3 * f * (m_chart - m_scale), focal_mm, distance_mm, reading_mm, separation_mm)


def reading_mm(
    *, focal_mm: Q | float, distance_mm: Q | float, landing_um: Q | float, separation_mm: Q | float = 0.0
) -> Q:
    """Reading of the lens scale for a landing at a distance, the inverse of :func:`landing_um` [mm].

    m(R) = m(D) − z/f, then R = f(2 + m(R) + 1/m(R)) + H.

    Parameters
    ----------
    focal_mm, distance_mm, separation_mm
        As in :func:`landing_um`.
    landing_um
        Landing z at the sensor [µm, short < 0 < deep], finite.

    Returns
    -------
    float or array
        Reading from the sensor plane [mm]. ``inf`` with the ring at infinity; in an array also where
        it would be beyond, so that a table can be filled.

    Raises
    ------
    OpticsError
        As :func:`magnification`; for single numbers also when the ring would be beyond infinity; when it
        would be closer than m = 1.
    """
    f, h = _lens(focal_mm, separation_mm)
    m_chart = _smaller_root(f, positive_or_infinite("distance [mm]", distance_mm), h)
    z = finite("landing [µm]", landing_um)
    m_scale = m_chart - 1e-3 * z / f
    m_scale = np.where(np.abs(m_scale) <= ROUNDING * m_chart, 0.0, m_scale)
    if m_scale.ndim == 0 and m_scale < 0:
        raise OpticsError(
            f"A landing of {float(z):.6g} µm lies {-1e3 * float(f * m_scale):.3g} µm beyond the infinity "
            f"mark: from this distance a scale shows {1e3 * float(f * m_chart):.6g} µm at most. "
            "Check the landing, or give a nearer distance."
        )
    if (m_scale > 1).any():
        bad, where = first(np.broadcast_to(z, m_scale.shape), m_scale > 1)
        raise OpticsError(
            f"A landing of {bad:.6g} µm{where} would be read closer than life size (m = 1), where no lens "
            "scale goes. Check that it is in µm."
        )
    far = m_scale <= 0
    m_near = np.where(far, 1.0, m_scale)
    reading = np.where(far, np.inf, f * (2 + m_near + 1 / m_near) + h)
    return plain(reading, focal_mm, distance_mm, landing_um, separation_mm)


def object_beyond_focus(focal_mm: Q | float, object_mm: Q | float) -> FloatArray:
    """Return the distances from the front principal plane when all of them are beyond the focal length."""
    f, s = positive("focal length [mm]", focal_mm), positive_or_infinite("distance [mm]", object_mm)
    inside = s <= f
    if inside.any():
        s_all, f_all = np.broadcast_arrays(s, f)
        (bad, where), (focal, _) = first(s_all, inside), first(f_all, inside)
        raise OpticsError(
            f"{bad:.6g} mm{where} from the front principal plane is not beyond the focal length of "
            f"{focal:.6g} mm: there is no picture. Check the distance and the focal length."
        )
    return s


def _lens(focal_mm: Q | float, separation_mm: Q | float) -> tuple[FloatArray, FloatArray]:
    """Return a lens's focal length and the separation of its principal planes, checked. [mm]"""
    return (
        positive("focal length [mm]", focal_mm),
        finite("separation of principal planes [mm]", separation_mm),
    )


def _smaller_root(f: FloatArray, x: FloatArray, h: FloatArray) -> FloatArray:
    """Return the root m <= 1: 2/(q + √(q² − 4)), q = (X − H)/f − 2, the root as √(q − 2)·√(q + 2)."""
    beyond = (x - h - 4 * f) / f
    if (beyond < 0).any():
        _refuse_near(f, x, h, beyond < 0)
    root: FloatArray = 2 / (beyond + 2 + np.sqrt(beyond) * np.sqrt(beyond + 4))
    return root


def _refuse_near(f: FloatArray, x: FloatArray, h: FloatArray, inside: BoolArray) -> NoReturn:
    """Raise for the first distance inside the near limit, with the limit."""
    x, limit, f_all = np.broadcast_arrays(x, 4 * f + h, f)
    bad, where = first(x, inside)
    near, _ = first(limit, inside)
    focal, _ = first(f_all, inside)
    raise OpticsError(
        f"{bad:.6g} mm{where} is inside the near limit of {near:.6g} mm from the sensor, within which a lens "
        f"of {focal:.6g} mm cannot focus (4f + H). Check the distance and the focal length."
    )
