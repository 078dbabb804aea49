"""What others would answer for the body's error from the same readings. [µm, short < 0 < deep]"""

import math
import warnings
from collections.abc import Sequence

import numpy as np

from benchmarks.prep_simulator import extension_mm
from shimwise.inference.model.prep import Reading


def object_space_mean(readings: Sequence[Reading]) -> float:
    """A person's way: the mean error at each distance in millimetres, times the mean m² there."""
    found = []
    for distance in sorted({reading.distance_mm for reading in readings}):
        here = [r for r in readings if r.distance_mm == distance and math.isfinite(r.reading_mm)]
        m2 = np.mean([(extension_mm(r.focal_mm, distance, 0.0) / r.focal_mm) ** 2 for r in here])
        found.append(1e3 * m2 * np.mean([r.reading_mm - distance for r in here]))
    return float(np.mean(found))


def image_space_um(readings: Sequence[Reading]) -> np.ndarray:
    """Every reading's landing, by Newton's form. Shape (n,)"""
    return np.array(
        [
            1e3 * (extension_mm(r.focal_mm, r.distance_mm, 0.0) - extension_mm(r.focal_mm, r.reading_mm, 0.0))
            for r in readings
        ]
    )


def image_space_median(readings: Sequence[Reading]) -> float:
    """The honest rival: the median landing."""
    return float(np.median(image_space_um(readings)))


def least_squares(readings: Sequence[Reading]) -> float:
    """Least squares with a body and lenses that add up to nothing: the mean of the lenses' means."""
    landings, names = image_space_um(readings), np.array([r.lens for r in readings])
    return float(np.mean([landings[names == name].mean() for name in np.unique(names)]))


def mixed_model(readings: Sequence[Reading]) -> float:
    """Random lenses about a fixed body, by statsmodels' MixedLM (REML)."""
    import statsmodels.api as sm

    landings, names = image_space_um(readings), np.array([r.lens for r in readings])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # singular fits are part of what is compared
        return float(sm.MixedLM(landings, np.ones(len(landings)), groups=names).fit().params[0])
