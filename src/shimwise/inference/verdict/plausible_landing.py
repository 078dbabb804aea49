"""How far off a landing can lie when bodies, lenses and tapes are at their worst."""

import math

FARTHEST_SDS = 3.0
"""Beyond as many standard deviations of all causes at their worst a slip is likelier than the figure."""
BODY_WORST_UM, LENS_WORST_UM, SET_WORST_UM = 60.0, 50.0, 25.0
"""Standard deviations of bodies, lenses and sets that are far off. [µm] Chosen by us; no outside source."""
SCALE_WORST_PERMILLE, TAPE_WORST_MM = 15.0, 25.0
"""The same of a lens's scale [‰ of the extension] and of a tape [mm]: an inch, a slip that happens."""


def farthest_landing_um(*, focal_mm: float, m: float, sd_um: float = 0.0) -> float:
    """Return how far from the mark a landing may lie without a question. [µm, > 0]

    Parameters
    ----------
    focal_mm : float
        Focal length at this distance. [mm]
    m : float
        Magnification at the chart; 0 at infinity.
    sd_um : float
        Standard uncertainty of the reading. [µm]
    """
    tape_um, scale_um = 1e3 * m**2 * TAPE_WORST_MM, focal_mm * m * SCALE_WORST_PERMILLE
    return FARTHEST_SDS * math.hypot(BODY_WORST_UM, LENS_WORST_UM, SET_WORST_UM, scale_um, tape_um, sd_um)
