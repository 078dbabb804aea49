"""What lies between lens and sensor: plates and gels that move focus back, and heat that moves the sensor.

Each amount is a correction to be shown, never one to be applied silently.

References
----------
.. [1] Snell's law at a plane-parallel plate; textbook, from memory. Paraxial t(1 − 1/n); a ray at angle
   U: t(1 − cos U/√(n² − sin² U)).
.. [2] Coefficients of expansion: the source is beside each value in ``materials.csv``.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from shimwise.errors import OpticsError
from shimwise.optics._tables import rows
from shimwise.optics._values import Q, checked, not_negative, plain, positive

LARGEST_CHANGE_K = 200.0
"""Change of temperature [K] beyond which a coefficient for room temperature is not valid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A material of mounts: its expansion near room temperature [µm per metre and kelvin], and source."""

    material: str
    expansion_um_m_k: float
    source: str


@cache
def materials() -> tuple[Material, ...]:
    """Return the known materials, each with the source of its value."""
    return tuple(
        Material(
            material=row["material"], expansion_um_m_k=float(row["expansion_um_m_k"]), source=row["source"]
        )
        for row in rows("materials.csv")
    )


def material_named(name: str) -> Material:
    """Find a material by its name or an unmistakable beginning of it, upper or lower case.

    Raises
    ------
    OpticsError
        When no material or more than one begins so; the message lists those known.
    """
    wanted = " ".join(name.split()).casefold().replace("aluminum", "aluminium")
    known = {material.material.casefold(): material for material in materials()}
    fits = [material for key, material in known.items() if wanted and key.startswith(wanted)]
    if wanted in known:
        fits = [known[wanted]]
    if len(fits) != 1:
        several = f"could be {' or '.join(fit.material for fit in fits)}" if fits else "is not known"
        names = ", ".join(material.material for material in materials())
        raise OpticsError(f"The material {name!r} {several}. Known are: {names}.")
    return fits[0]


def plate_shift_um(*, thickness_mm: Q | float, index: Q | float, fnumber: Q | float | None = None) -> Q:
    """How far a plane plate or gel behind the lens moves focus away from the lens [µm, >= 0].

    Parameters
    ----------
    thickness_mm
        Thickness t [mm], 0 or above.
    index
        Index of refraction n, 1 to 5.
    fnumber
        Without it the paraxial shift; with it that of the marginal ray, sin U = 1/(2N), N above 0.5.

    Raises
    ------
    OpticsError
        When a value is no number or out of its range.
    """
    t = not_negative("thickness [mm]", thickness_mm)
    n = checked("index of refraction", index, good=lambda x: (x >= 1) & (x <= 5), want="a number from 1 to 5")
    if fnumber is None:
        return plain(1e3 * t * (1 - 1 / n), thickness_mm, index)
    stop = checked("f-number", fnumber, good=lambda x: np.isfinite(x) & (x > 0.5), want="a number above 0.5")
    sin2 = (0.5 / stop) ** 2
    shift = 1e3 * t * (1 - np.sqrt((1 - sin2) / (n**2 - sin2)))
    return plain(shift, thickness_mm, index, fnumber)


def heat_change_um(*, material: str, length_mm: Q | float, change_k: Q | float) -> Q:
    """How much a part grows when it warms, α·L·ΔT [µm, cooling < 0 < warming].

    Parameters
    ----------
    material
        Name of one of :func:`materials`, or an unmistakable beginning of it.
    length_mm
        Length L [mm], > 0.
    change_k
        *Change* of temperature ΔT [K], not a temperature; at most :data:`LARGEST_CHANGE_K` either way.

    Raises
    ------
    OpticsError
        When the material is not known, a value is no number or out of its range.
    """
    expansion = material_named(material).expansion_um_m_k
    length = positive("length [mm]", length_mm)
    change = checked(
        "change of temperature [K]",
        change_k,
        good=lambda x: np.abs(x) <= LARGEST_CHANGE_K,
        want=f"the change, not the temperature, within {LARGEST_CHANGE_K:.0f} K either way",
    )
    return plain(expansion * 1e-3 * length * change, length_mm, change_k)
