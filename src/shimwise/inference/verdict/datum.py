"""The datum: how well a body can be known at all with the lenses at hand.

Readings only determine the sum of a body's and a lens's error. However many are taken, a body is known no
better than the lenses' own histories allow. This module computes that limit, and what would lower it.
"""

from dataclasses import dataclass

import numpy as np

from shimwise.inference.model.assemble import Candidates
from shimwise.inference.model.linear import FloatArray, Kind, Model
from shimwise.inference.verdict.answer import Z95

GAUGE_SD_UM = 3.0
"""Standard uncertainty of a depth gauge in practised hands. [µm] Common practice, no source."""
KNOWN_LENS_SD_UM = 3.0
"""History of a lens that is well known to the house. [µm] Chosen by us."""
EXACT_UM = 0.05
"""Infinitely many readings are represented by one of this standard uncertainty. [µm]"""


@dataclass(frozen=True, slots=True)
class Datum:
    """Limit of a body's 95 % half width for infinitely many readings, now and with help. [µm]"""

    body: str
    limit_um: float
    with_gauge_um: float
    with_known_lens_um: float


def body_limits(model: Model, candidates: Candidates) -> tuple[Datum, ...]:
    """Return the limit of every body for infinitely many of its readings and candidates."""
    design = np.vstack([model.design, candidates.design])
    precision = design.T @ design / EXACT_UM**2 + np.diag(model.prior_sd**-2.0 + model.gauge_precision)
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    lenses = model.indices(Kind.LENS)
    return tuple(
        Datum(
            body=model.unknowns[body].name,
            limit_um=_half_width_um(covariance, body, body, 0.0),
            with_gauge_um=_half_width_um(covariance, body, body, GAUGE_SD_UM**-2),
            with_known_lens_um=min(
                _half_width_um(covariance, body, lens, KNOWN_LENS_SD_UM**-2) for lens in lenses
            ),
        )
        for body in model.indices(Kind.BODY)
    )


def _half_width_um(covariance: FloatArray, body: int, column: int, information: float) -> float:
    """Return the 95 % half width of a body with more information [unit⁻²] on one column. [µm]"""
    reach = covariance[:, column]
    variance = covariance[body, body] - information * reach[body] ** 2 / (1 + information * reach[column])
    return float(Z95 * np.sqrt(variance))
