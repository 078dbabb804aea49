"""What setting a lens's ring to a mark adds to a landing."""

from shimwise.optics.conjugates import magnification

NEAR_MARK_MM = 914.4
"""3 ft: where the ring's error scale and the conversion's uncertainty are quoted. [mm]"""
SETTING_SD_MM = 0.6
"""How exactly a ring is set to its mark, in object space at 3 ft; it grows as D². [mm] Common practice, no
source; a house may set its own."""


def ring_setting_sd_um(*, focal_mm: float, distance_mm: float, setting_sd_mm: float = SETTING_SD_MM) -> float:
    """Return the standard deviation at the sensor of setting the ring to the mark at a distance. [µm]

    10³·m²·t, the setting's error t in object space growing as the distance squared from 3 ft: marks crowd so.

    Parameters
    ----------
    focal_mm
        Focal length [mm], > 0.
    distance_mm
        Witness mark to the chart, to which the ring is set [mm], finite.
    setting_sd_mm
        Standard deviation of a setting at 3 ft, in object space [mm].

    Raises
    ------
    OpticsError
        When the distance is nearer than four focal lengths.
    """
    m = magnification(focal_mm=focal_mm, distance_mm=distance_mm)
    return 1e3 * float(m) ** 2 * setting_sd_mm * (distance_mm / NEAR_MARK_MM) ** 2
