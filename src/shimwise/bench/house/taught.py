"""What the house's signed preps have taught, as the record keeps it, and what the judge may use of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimwise.record.queries import settings as kept_settings

if TYPE_CHECKING:
    from shimwise.inference.model.joint_memory import DriftRates
    from shimwise.inference.model.priors import Priors
    from shimwise.record import Connection
    from shimwise.record.journal import Change

TAUGHT_KEY = "taught"
FEWEST_PREPS = 5
"""A house's own spreads are used from so many signed preps on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TaughtLevels:
    """Spreads (healthy, off, wild) and shares of one effect; ``log_sd`` of the usual spread's logarithm."""

    sd: tuple[float, float, float]
    share: tuple[float, float, float]
    log_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TaughtWalk:
    """How bodies, or lenses, wander: sd after a month [µm], of its logarithm, and the share of knocks."""

    month_um: float
    log_sd: float
    knocked_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """What so many signed preps taught; ``levels`` by effect, ``walks`` by kind.

    ``common_sd_um``: how well the mean of all bodies is known, a term that each carries; ``has_gauge``:
    whether a gauge or collimator value fixes it.
    """

    preps: int
    readings: int
    levels: Mapping[str, TaughtLevels]
    walks: Mapping[str, TaughtWalk]
    common_sd_um: float
    has_gauge: bool

    @property
    def is_used(self) -> bool:
        """Whether these are enough preps to be used by the judge."""
        return self.preps >= FEWEST_PREPS

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON."""
        return {
            "preps": self.preps,
            "readings": self.readings,
            "levels": {name: [one.sd, one.share, one.log_sd] for name, one in self.levels.items()},
            "walks": {
                name: [one.month_um, one.log_sd, one.knocked_share] for name, one in self.walks.items()
            },
            "common_sd_um": self.common_sd_um,
            "has_gauge": self.has_gauge,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Taught":
        """Read what :meth:`to_json` wrote."""
        return cls(
            preps=data["preps"],
            readings=data["readings"],
            levels={
                name: TaughtLevels(sd=tuple(sd), share=tuple(share), log_sd=log_sd)
                for name, (sd, share, log_sd) in data["levels"].items()
            },
            walks={
                name: TaughtWalk(month_um=month_um, log_sd=log_sd, knocked_share=share)
                for name, (month_um, log_sd, share) in data["walks"].items()
            },
            common_sd_um=data["common_sd_um"],
            has_gauge=data["has_gauge"],
        )


def taught_in(connection: "Connection") -> Taught | None:
    """Return what the house has taught, None before anything was signed."""
    stored: Any = kept_settings.setting(connection, TAUGHT_KEY)
    return Taught.from_json(stored) if stored else None


def keep_taught(change: "Change", taught: Taught) -> None:
    """Keep what the house has taught."""
    kept_settings.change_setting(change, TAUGHT_KEY, taught.to_json())


def priors_in(connection: "Connection") -> "Priors | None":
    """Return the judge's priors with the house's own spreads; None while too few preps are signed."""
    from shimwise.inference.model.priors import Effect, Levels, Priors

    taught = taught_in(connection)
    if taught is None or not taught.is_used:
        return None
    starting = Priors()
    own = {Effect(name): Levels(one.sd, one.share) for name, one in taught.levels.items()}
    own[Effect.SET] = starting.levels[Effect.SET]  # of a prep alone: few sets teach little
    return Priors(
        levels={**starting.levels, **own},
        changed=dict(starting.changed),
        healthy_lens_sds_um=(own[Effect.LENS].sd[0],),
    )


def rates_in(connection: "Connection") -> "DriftRates | None":
    """Return how fast units wander as the house has taught it; None while too few preps are signed."""
    from shimwise.inference.model.joint_memory import DriftRates

    taught = taught_in(connection)
    if taught is None or not taught.is_used:
        return None
    body, lens = (taught.walks[kind].month_um for kind in ("body", "lens"))
    return DriftRates(body_month=body, lens_month=lens, body_job=0.0, lens_job=0.0)
