"""The datum: how well a body can be known at all with the lenses at hand.

Readings only determine the sum of a body's and a lens's error. However many are taken, a body is known no
better than the lenses' own histories allow. This module computes that limit, and what would lower it.
"""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.design import Built
from shimwise.inference.model.priors import Effect
from shimwise.inference.verdict.answer import Z95

GAUGE_SD_UM = 3.0
"""Standard uncertainty of a depth gauge in practised hands. [µm] Common practice, no source."""
KNOWN_LENS_SD_UM = 3.0
"""History of a lens that is well known to the house. [µm] Chosen by us."""
EXACT_UM = 0.05
"""Infinitely many readings are represented by one of this standard uncertainty. [µm]"""


@dataclass(frozen=True, slots=True)
class HalfWidthLimit:
    """Limit of a body's 95 % half width for infinitely many readings, now and with help. [µm]"""

    body: str
    limit_um: float
    with_gauge_um: float
    with_known_lens_um: float


def body_limits(built: Built, covariance: FloatArray | None = None) -> tuple[HalfWidthLimit, ...]:
    """Return the limit of every body; ``covariance`` as :func:`limit_covariance` returns it."""
    model = built.model
    covariance = limit_covariance(built) if covariance is None else covariance
    matrix = model.quantities.matrix
    lenses = [matrix[i] for i in model.quantities.indices(Effect.LENS.value)]
    return tuple(
        HalfWidthLimit(
            body=model.quantities.kinds[i].names[0],
            limit_um=half_width_um(covariance, matrix[i]),
            with_gauge_um=half_width_um(covariance, matrix[i], known=matrix[i], sd_um=GAUGE_SD_UM),
            with_known_lens_um=min(
                (half_width_um(covariance, matrix[i], known=lens, sd_um=KNOWN_LENS_SD_UM) for lens in lenses),
                default=half_width_um(covariance, matrix[i]),
            ),
        )
        for i in model.quantities.indices(Effect.BODY.value)
    )


def limit_covariance(built: Built) -> FloatArray:
    """Return the covariance (p, p) of the unknowns after infinitely many of all readings and candidates."""
    model = built.model
    design = np.vstack([model.rows.design, built.candidate_design])
    information = design.T @ design / EXACT_UM**2
    precision = information + model.precision + np.diag(model.levels.usual_precision)
    return np.asarray(np.linalg.inv(precision), dtype=np.float64)


def half_width_um(
    covariance: FloatArray, unit: FloatArray, *, known: FloatArray | None = None, sd_um: float = 1.0
) -> float:
    """Return the 95 % half width of a combination (p,) of the unknowns, with another one ``known``. [µm]"""
    reach = covariance @ unit
    variance = float(unit @ reach)
    if known is not None:
        variance -= float(known @ reach) ** 2 / (sd_um**2 + float(known @ covariance @ known))
    return float(Z95 * np.sqrt(max(0.0, variance)))
