"""The mixture model as arrays: rows, columns, priors, and the quantities to report.

A landing z_i [µm, short < 0 < deep] of reading i is

    z_i = a_i·x + e_i,   e_i = s_i·t(4),   s_i² = (k[person]·N·c)² + ring²,

and is seen only as an interval [low_i, high_i]. The unknowns x are those of :class:`Effect`; a column with a
group has levels (healthy, off, wild), one without is Gaussian with the precision in ``precision``.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shimwise.arrays import FloatArray, IntArray
from shimwise.inference.model.priors import Effect


class Column(NamedTuple):
    """One unknown: its effect, the unit's name, and whether it is a memory from earlier preps."""

    effect: Effect
    name: str
    is_memory: bool = False


class QuantityKind(NamedTuple):
    """What a reported quantity is: an effect, ``pair`` or ``difference``, and the names it is of."""

    kind: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Quantities:
    """Linear combinations of the unknowns to report: ``matrix`` (g, p), ``offset`` (g,), their ``kinds``."""

    kinds: tuple[QuantityKind, ...]
    matrix: FloatArray
    offset: FloatArray

    def index(self, kind: str, *names: str) -> int:
        """Row of one quantity."""
        return self.kinds.index(QuantityKind(kind, names))

    def indices(self, kind: str) -> list[int]:
        """Rows of all quantities of a kind, in order."""
        return [i for i, one in enumerate(self.kinds) if one.kind == kind]


@dataclass(frozen=True, slots=True)
class LevelPriors:
    """Levels of the columns that have them.

    ``sd`` (p, 3), NaN for Gaussian columns; ``group`` (p,) the group whose shares a column follows, −1 for
    Gaussian columns; ``share`` (groups, 3); ``learned`` the columns whose healthy sd is one of
    ``healthy_sds_um`` (h,), equally probable before.
    """

    sd: FloatArray
    group: IntArray
    share: FloatArray
    concentration: float
    learned: IntArray
    healthy_sds_um: FloatArray

    @property
    def usual_precision(self) -> FloatArray:
        """Precision (p,) of every column without its wild level, which readings find; 0 where Gaussian."""
        share = self.share[np.maximum(self.group, 0)][:, :2]
        variance = (share * self.sd[:, :2] ** 2).sum(1) / share.sum(1)
        return np.asarray(np.where(self.group >= 0, 1 / np.where(self.group >= 0, variance, 1.0), 0.0))


@dataclass(frozen=True, slots=True)
class Rows:
    """The readings: n of them on q distinct rows of the design, ``pattern`` (n,) in ascending order.

    ``low_um`` and ``high_um`` (n,) bound each landing less what is known of it beforehand (the model's
    ``centre``); ``high_um`` may be infinite. With a row for each chain (c, n) every chain has readings of its
    own. ``blur_um`` N·c, ``ring_um`` the fixed part of the scale, and
    ``person``, an index, are (q,); where no eye judged, ``blur_um`` is 0. ``reading`` (n,) is the place of
    each among the prep's readings; ``landing_um`` (n,) what was read.
    """

    design: FloatArray
    pattern: IntArray
    low_um: FloatArray
    high_um: FloatArray
    landing_um: FloatArray
    blur_um: FloatArray
    ring_um: FloatArray
    person: IntArray
    reading: IntArray
    setups: tuple[str, ...]

    @property
    def width_um(self) -> FloatArray:
        """Width (n,) of each reading's interval. [µm, infinite for a bound]"""
        return np.asarray(self.high_um - self.low_um)


@dataclass(frozen=True, slots=True)
class MixtureModel:
    """Rows, columns and priors of a prep, ready for the sampler.

    ``centre`` (p,): what is known of each unknown beforehand; the sampler's unknowns are deviations from it.
    ``precision`` (p, p) and ``pull`` (p,) are the Gaussian information other than readings: memories, gauges.
    """

    columns: tuple[Column, ...]
    rows: Rows
    levels: LevelPriors
    centre: FloatArray
    precision: FloatArray
    pull: FloatArray
    persons: tuple[str, ...]
    k_median: float
    k_log_sd: float
    quantities: Quantities

    @property
    def first_of_pattern(self) -> IntArray:
        """First reading of each pattern, shape (q,)."""
        return np.searchsorted(self.rows.pattern, np.arange(len(self.rows.design)))
