"""Blur: how deep focus is at the sensor and in front of the lens, and what defocus leaves of the contrast.

Depth follows the circle of confusion, geometry only; distances here run from the *front principal plane*.
Contrast is the incoherent transfer function of an aberration-free circular pupil: a limit, no real lens.

References
----------
.. [1] A. R. Greenleaf, *Photographic Optics* (1950): hyperfocal distance f²/(N·c) + f; near and far limits
   and 2·N·c·(1 + m) from memory.
.. [2] H. H. Hopkins, Proc. R. Soc. A 231 (1955) 91: the frequency response of a defocused optical system;
   J. W. Goodman, *Introduction to Fourier Optics*, ch. 6 (both from memory).
"""

import math
from functools import cache

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.errors import OpticsError
from shimwise.optics._values import Q, finite, not_negative, plain, positive
from shimwise.optics.conjugates import object_beyond_focus

GREEN_UM = 0.55
"""Wavelength [µm] near the eye's greatest sensitivity."""

LARGEST_PHASE = 1e5
"""Phase across the pupil [rad] beyond which defocus has nothing to do with the small-angle wave model."""

_PANEL_PHASE = 12.0
_PANEL_NODES = 24
_CHUNK = 2_000_000


def depth_of_focus_mm(*, fnumber: Q | float, coc_mm: Q | float, magnification: Q | float = 0.0) -> Q:
    """Depth at the sensor within which the blur stays under c, total: 2·N·c·(1 + m) [mm, > 0].

    Parameters
    ----------
    fnumber
        f-number N, > 0.
    coc_mm
        Circle of confusion c [mm], > 0.
    magnification
        Magnification m, 0 at infinity.

    Raises
    ------
    OpticsError
        When a value is no number or out of its range.
    """
    n, c = positive("f-number", fnumber), positive("circle of confusion [mm]", coc_mm)
    m = not_negative("magnification", magnification)
    return plain(2 * n * c * (1 + m), fnumber, coc_mm, magnification)


def hyperfocal_mm(*, focal_mm: Q | float, fnumber: Q | float, coc_mm: Q | float) -> Q:
    """Nearest focus that keeps infinity within c: f²/(N·c) + f [mm from the front principal plane].

    Parameters
    ----------
    focal_mm
        Focal length f [mm], > 0.
    fnumber, coc_mm
        As in :func:`depth_of_focus_mm`.

    Raises
    ------
    OpticsError
        When a value is no number or not above 0.
    """
    return plain(_hyperfocal(focal_mm, fnumber, coc_mm), focal_mm, fnumber, coc_mm)


def near_mm(*, focal_mm: Q | float, fnumber: Q | float, coc_mm: Q | float, distance_mm: Q | float) -> Q:
    """Near limit of the depth of field, s(H − f)/(H + s − 2f) [mm from the front principal plane].

    Parameters
    ----------
    focal_mm, fnumber, coc_mm
        As in :func:`hyperfocal_mm`.
    distance_mm
        Distance s in focus from the front principal plane [mm], > f, infinite allowed.

    Raises
    ------
    OpticsError
        When a value is no number or out of its range.
    """
    hyperfocal, f = _hyperfocal(focal_mm, fnumber, coc_mm), np.asarray(focal_mm, dtype=np.float64)
    s = object_beyond_focus(focal_mm, distance_mm)
    near = (hyperfocal - f) / (1 + (hyperfocal - 2 * f) / s)
    return plain(near, focal_mm, fnumber, coc_mm, distance_mm)


def far_mm(*, focal_mm: Q | float, fnumber: Q | float, coc_mm: Q | float, distance_mm: Q | float) -> Q:
    """Far limit of the depth of field, s(H − f)/(H − s) [mm from the front principal plane].

    Parameters and errors as :func:`near_mm`. ``inf`` from the hyperfocal distance on.
    """
    hyperfocal, f = _hyperfocal(focal_mm, fnumber, coc_mm), np.asarray(focal_mm, dtype=np.float64)
    s = object_beyond_focus(focal_mm, distance_mm)
    share = hyperfocal / s - 1
    ends = share > 0
    far = np.where(ends, (hyperfocal - f) / np.where(ends, share, 1.0), np.inf)
    return plain(far, focal_mm, fnumber, coc_mm, distance_mm)


def otf_defocus(
    *,
    fnumber: Q | float,
    frequency_cy_mm: Q | float,
    defocus_um: Q | float,
    wavelength_um: Q | float = GREEN_UM,
) -> Q:
    """Contrast that an aberration-free circular pupil passes out of focus [1, negative = reversed].

    Autocorrelation of the defocused pupil, W20 = dz/(8N²); its size is the MTF. Absolute error below 1e-8.

    Parameters
    ----------
    fnumber
        f-number N, > 0.
    frequency_cy_mm
        Frequency at the sensor [cycles/mm], 0 or above; 0 is passed whole, beyond cut-off 1/(λN) nothing.
    defocus_um
        Distance dz of the sensor from best focus [µm], of either sign, which makes no difference.
    wavelength_um
        Wavelength λ [µm], > 0.

    Returns
    -------
    float or array
        From -1 to 1. The small-angle W20 is itself off by a few per cent at f/1.4.

    Raises
    ------
    OpticsError
        When a value is no number or out of its range; when the defocus is so large that the wave model has no
        sense (more than :data:`LARGEST_PHASE` radian).
    """
    n, wavelength = positive("f-number", fnumber), positive("wavelength [µm]", wavelength_um)
    frequency = not_negative("frequency [cycles/mm]", frequency_cy_mm)
    share = np.minimum(1e-3 * wavelength * n * frequency, 1.0)
    waves = np.abs(finite("defocus [µm]", defocus_um)) / (8 * n**2 * wavelength)
    share, phase = np.broadcast_arrays(share, 8 * np.pi * waves * share)
    if (phase > LARGEST_PHASE).any():
        raise OpticsError(
            f"The defocus is {float(phase.max()):.3g} radian across the pupil, beyond the "
            f"{LARGEST_PHASE:.0g} to which waves apply. Check the defocus (in µm) and the f-number."
        )
    otf = _in_chunks(np.atleast_1d(share).ravel(), np.atleast_1d(phase).ravel()).reshape(share.shape)
    return plain(otf, fnumber, frequency_cy_mm, defocus_um, wavelength_um)


def _hyperfocal(focal_mm: Q | float, fnumber: Q | float, coc_mm: Q | float) -> FloatArray:
    f = positive("focal length [mm]", focal_mm)
    n, c = positive("f-number", fnumber), positive("circle of confusion [mm]", coc_mm)
    return f**2 / (n * c) + f


def _in_chunks(share: FloatArray, phase: FloatArray) -> FloatArray:
    """Integrate a bounded number of points at a time, so that memory stays small."""
    if not share.size:
        return share
    panels = math.ceil(float(phase.max()) * np.pi / 2 / _PANEL_PHASE) + 1
    rows = max(1, _CHUNK // (panels * _PANEL_NODES))
    cuts = range(rows, share.size, rows)
    parts = zip(np.split(share, cuts), np.split(phase, cuts), strict=True)
    return np.concatenate([_overlap(s, p, panels) for s, p in parts])


def _overlap(share: FloatArray, phase: FloatArray, panels: int) -> FloatArray:
    """Integrate over the overlap of the two shifted pupils, both flat arrays.

    With s the share of cut-off and a the phase: (4/π) ∫ cos(a(u − s)) √(1 − u²) du over u from s to 1;
    u = sin t makes it smooth to its ends.
    """
    nodes, weights = _rule(panels)
    start = np.arcsin(share)[:, None]
    t = start + (np.pi / 2 - start) * nodes
    values = np.cos(phase[:, None] * (np.sin(t) - share[:, None])) * np.cos(t) ** 2
    otf: FloatArray = 4 / np.pi * (np.pi / 2 - start[:, 0]) * (values @ weights)
    return otf


@cache
def _rule(panels: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights from 0 to 1 of Gauss-Legendre's rule in equal panels."""
    x, w = np.polynomial.legendre.leggauss(_PANEL_NODES)
    nodes = ((np.arange(panels)[:, None] + (x + 1) / 2) / panels).ravel()
    return nodes, np.tile(w / 2 / panels, panels)
