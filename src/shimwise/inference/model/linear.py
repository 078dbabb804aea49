"""The linear model of a prep: from readings to landings, columns and priors.

Every reading i becomes a landing z_i [µm, short < 0 < deep] and a row of the model

    z_i = B[body] + L[lens] + S[lens]·f·m(D) + m²·T[set-up] + e_i,

with a Student-t error e_i of squared scale (k·N·c)² + (reading error)². Columns beyond these are *nuisances*:
what is uncertain about the conversion itself (a lens that focuses inside, an unknown separation of the
principal planes), an anamorphic's second axis, and the focus shift between stops. Gauges are Gaussian rows.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shimwise.errors import InferenceError
from shimwise.notices import Notice

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

BODY_SD_UM = 15.0
"""Prior sd of a body of unknown history. [µm] Chosen by us; no outside source."""
LENS_SD_UM = 12.0
"""Prior sd of a lens of unknown history. [µm] As above."""
SCALE_SD_PERMILLE = 3.0
"""Prior sd of a lens scale's own error. [‰ of the extension] As above."""
SETUP_SD_MM = 2.0
"""Prior sd of a taped distance. [mm, in object space] Common practice, no source."""
AXIS_SD_UM = 8.0
"""Prior sd of half the difference between an anamorphic's two axes. [µm] Chosen by us."""
STOP_SD_UM = 30.0
"""Prior sd of the focus shift between two stops. [µm] Fast old designs: 43 µm at one stop of a traced f/2."""

NEAR_MARK_MM = 914.4
"""3 ft: where the reading error and the conversion's uncertainty are quoted. [mm]"""
READING_SCALE_MM = 2.2
"""Scale of the Student-t error of reading a mark at 3 ft, growing as D². [mm]

2 mm of reading and a quarter inch's rounding are 2.7 mm; a t of ν = 4 has the same middle at 0.8 of that.
Common practice, no source."""
INTERNAL_FOCUS_SHARE = 0.5
"""Relative sd of a landing at 3 ft of a lens that focuses inside, falling as 1/D (traced: −42 and +62 %)."""
SEPARATION_SHARE = 0.04
"""Relative sd of a landing at 3 ft when the separation of the principal planes is unknown, falling as 1/D."""


class Kind(StrEnum):
    """What a column of the model is."""

    BODY = "body"
    LENS = "lens"
    SCALE = "scale"
    SETUP = "setup"
    AXIS = "axis"
    STOP = "stop"
    CONVERSION = "conversion"


PRIOR_SD = {
    Kind.BODY: BODY_SD_UM,
    Kind.LENS: LENS_SD_UM,
    Kind.SCALE: SCALE_SD_PERMILLE,
    Kind.SETUP: SETUP_SD_MM,
    Kind.AXIS: AXIS_SD_UM,
    Kind.STOP: STOP_SD_UM,
    Kind.CONVERSION: 1.0,
}
"""Prior sd of every unknown that has no history of its own; a conversion's is in its column already."""


@dataclass(frozen=True, slots=True)
class Unknown:
    """One unknown of the model: a column, its Gaussian prior, and whether its history is known.

    Body, lens, axis and stop in µm; scale in ‰; set-up in mm; conversion as a share (no unit).
    """

    kind: Kind
    name: str
    mean: float
    sd: float
    has_history: bool = False


@dataclass(frozen=True, slots=True)
class Model:
    """The rows, columns and priors of a prep, ready for the posterior.

    Readings that share body, lens, stop, distance and person share a row of the design: n readings have q
    *patterns*. ``design`` (q, p); ``blur_um`` (N·c), ``reading_sd_um``, ``operator`` (an index into
    ``operators``) and ``setups`` (q,); ``pattern`` and ``landing_um`` (n,). ``gauge_precision`` and
    ``gauge_pull`` (p,) are the information of gauges, in the unknowns' own units.
    """

    unknowns: tuple[Unknown, ...]
    design: FloatArray
    blur_um: FloatArray
    reading_sd_um: FloatArray
    operator: IntArray
    operators: tuple[str, ...]
    setups: tuple[str, ...]
    pattern: IntArray
    landing_um: FloatArray
    gauge_precision: FloatArray
    gauge_pull: FloatArray
    notices: tuple[Notice, ...]

    @property
    def prior_mean(self) -> FloatArray:
        """Prior means, shape (p,)."""
        return np.array([unknown.mean for unknown in self.unknowns])

    @property
    def prior_sd(self) -> FloatArray:
        """Prior standard deviations, shape (p,)."""
        return np.array([unknown.sd for unknown in self.unknowns])

    def indices(self, kind: Kind) -> list[int]:
        """Return the columns of one kind, in order."""
        return [i for i, unknown in enumerate(self.unknowns) if unknown.kind is kind]

    def index(self, kind: Kind, name: str) -> int:
        """Return the column of one unknown; raise InferenceError if the model has none."""
        for i, unknown in enumerate(self.unknowns):
            if unknown.kind is kind and unknown.name == name:
                return i
        raise InferenceError(f"The model has no {kind} named {name!r}.")
