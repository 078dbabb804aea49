"""Priors of the mixture model: spreads and shares of healthy, off and wild units.

Every unknown x is drawn at one of three levels s: x | s ~ N(0, σ_s²), and the shares of the levels within a
kind ~ Dirichlet(6 π). The values are starting values, chosen on simulated benches; no outside source. A house
with enough signed preps replaces them by its own (:class:`Priors` is a plain value).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from shimwise.optics.ring_setting import SETTING_SD_MM


class Effect(StrEnum):
    """Effect that a column of the model describes; the first seven can be the cause of a landing."""

    BODY = "body"
    LENS = "lens"
    SET = "set"
    SCALE = "scale"
    SETUP = "setup"
    BODY_REFERENCE = "body_reference"
    EYE = "eye"
    AXIS = "axis"
    STOP = "stop"
    CONVERSION = "conversion"
    RING_SETTING = "ring_setting"
    REMEMBERED = "remembered"


CAUSES = (
    Effect.BODY,
    Effect.LENS,
    Effect.SET,
    Effect.SCALE,
    Effect.SETUP,
    Effect.BODY_REFERENCE,
    Effect.EYE,
)


@dataclass(frozen=True, slots=True)
class Levels:
    """Standard deviations and prior shares of the levels healthy, off and wild, in the unknown's own unit."""

    sd: tuple[float, float, float]
    share: tuple[float, float, float]

    @property
    def total_sd(self) -> float:
        """Standard deviation of the whole mixture."""
        return math.sqrt(math.fsum(share * sd**2 for share, sd in zip(self.share, self.sd, strict=True)))

    @property
    def usual_sd(self) -> float:
        """Standard deviation without the wild level: readings soon find what is wild."""
        share, sd = self.share[:2], self.sd[:2]
        return math.sqrt(math.fsum(p * s**2 for p, s in zip(share, sd, strict=True)) / math.fsum(share))

    def scaled(self, healthy_sd: float) -> "Levels":
        """Return levels whose healthy sd is ``healthy_sd``, the others in the same proportion."""
        healthy, off, wild = self.sd
        return Levels((healthy_sd, off / healthy * healthy_sd, wild / healthy * healthy_sd), self.share)


STARTING_LEVELS: Mapping[Effect, Levels] = MappingProxyType(
    {
        Effect.BODY: Levels((6.0, 18.0, 60.0), (0.50, 0.40, 0.10)),
        Effect.LENS: Levels((5.0, 18.0, 50.0), (0.86, 0.09, 0.05)),
        Effect.SET: Levels((0.5, 8.0, 25.0), (0.90, 0.04, 0.06)),
        Effect.SCALE: Levels((1.5, 4.0, 15.0), (0.60, 0.30, 0.10)),
        Effect.SETUP: Levels((1.5, 5.0, 25.0), (0.85, 0.10, 0.05)),
        Effect.BODY_REFERENCE: Levels((0.5, 8.0, 25.0), (0.88, 0.06, 0.06)),
        Effect.EYE: Levels((0.03, 0.12, 0.4), (0.90, 0.05, 0.05)),
    }
)
"""Body, lens and set in µm, scale in ‰, set-up and body reference in mm, eye as a share of N·c."""
KNOWN_LENS = Levels((1.0, 3.0, 9.0), (0.82, 0.13, 0.05))
"""Levels of a lens with a history of its own, in multiples of the history's sd."""
SET_OF_KNOWN_LENSES = Levels((0.5, 8.0, 25.0), (0.98, 0.01, 0.01))
"""Levels of a set whose lenses have histories. [µm]"""
CHANGED: Mapping[Effect, Levels] = MappingProxyType(
    {
        Effect.BODY: Levels((0.5, 20.0, 60.0), (0.97, 0.02, 0.01)),
        Effect.LENS: Levels((0.5, 12.0, 40.0), (0.99, 0.007, 0.003)),
        Effect.EYE: Levels((0.005, 0.05, 0.2), (0.985, 0.012, 0.003)),
    }
)
"""Levels of what has changed since a unit was last signed, and a person read last. [µm; eye: share of N·c]"""


K_MEDIAN, K_LOG_SD = 0.19, 0.45
"""A person's focusing spread as a share of N·c, log-normal: 0.1 to 0.3 (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """All that is assumed before a prep; every value has its unit in its name or stated beside it.

    ``healthy_lens_sds_um`` are equally probable values of the spread of healthy lenses, learned on each
    bench; a house that knows its own spread passes one value. Share ``concentration``: levels' shares ~
    Dirichlet(concentration · π). The ring's error scale grows as D² from its value at 3 ft; k is log-normal.
    """

    levels: Mapping[Effect, Levels] = field(default_factory=lambda: STARTING_LEVELS)
    healthy_lens_sds_um: tuple[float, ...] = (3.0, 4.5, 6.5, 9.0, 13.0)
    known_lens: Levels = KNOWN_LENS
    set_of_known_lenses: Levels = SET_OF_KNOWN_LENSES
    changed: Mapping[Effect, Levels] = field(default_factory=lambda: CHANGED)
    concentration: float = 6.0
    k_median: float = K_MEDIAN
    k_log_sd: float = K_LOG_SD
    ring_scale_mm: float = 1.8
    setting_sd_mm: float = SETTING_SD_MM
    axis_sd_um: float = 8.0
    stop_sd_um: float = 30.0


LEAST_LENSES_OF_SET = 3
"""A shift common to a set is a term of the model from this many lenses on."""
NU = 4.0
"""Degrees of freedom of a reading's Student-t error."""
