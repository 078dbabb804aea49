"""What a house has taught, as plain figures: spreads, walks and datum, and what the judge takes from them."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from shimwise.inference.house.setting_spread import SettingSpread
from shimwise.inference.model.joint_memory import DriftRates
from shimwise.inference.model.priors import Effect, Levels, Priors

FEWEST_PREPS = 5
"""A house's own spreads are used from so many signed preps on."""
BODY, LENS = "body", "lens"


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """How units of a kind wander: sd after a month [µm], of its logarithm, and the share of knocks."""

    month_um: float
    log_sd: float
    knocked_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """What so many signed preps taught: levels of each effect, and the walks of bodies and lenses.

    ``log_sd``: standard uncertainty of the logarithm of each effect's usual spread, that of all but the wild;
    ``ring``: the scale of errors from reading the ring, in multiples of the one assumed; ``common_sd_um``:
    how well the mean of all bodies is known, a term that each carries; ``has_gauge``: whether a gauge or
    collimator value fixes it. ``setting``: how exactly rings are set to their marks, None without repeats by
    picture.
    """

    preps: int
    readings: int
    levels: Mapping[Effect, Levels]
    log_sd: Mapping[Effect, float]
    walks: Mapping[str, Walk]
    ring: float
    common_sd_um: float
    has_gauge: bool
    setting: SettingSpread | None = None

    @property
    def is_used(self) -> bool:
        """Whether these are enough preps to be used by the judge."""
        return self.preps >= FEWEST_PREPS

    def priors(self) -> Priors:
        """Return the judge's priors with the house's own spreads, shares and share of bodies knocked.

        The shift of a set stays the starting one: few sets teach little of the next. A remembered body
        changes as often as the house's bodies did from one visit to the next.
        """
        own = Priors()
        levels = {**own.levels, **self.levels, Effect.SET: own.levels[Effect.SET]}
        body, knocked = own.changed[Effect.BODY], self.walks[BODY].knocked_share
        _, off, wild = body.share
        share = (1 - knocked, knocked * off / (off + wild), knocked * wild / (off + wild))
        return replace(
            own,
            levels=levels,
            changed={**own.changed, Effect.BODY: Levels(body.sd, share)},
            healthy_lens_sds_um=(self.levels[Effect.LENS].sd[0],),
            ring_scale_mm=self.ring * own.ring_scale_mm,
            setting_sd_mm=own.setting_sd_mm if self.setting is None else self.setting.sd_mm,
        )

    def rates(self) -> DriftRates:
        """Return how fast units wander; a job counts as its share of the time."""
        return DriftRates(
            body_month=self.walks[BODY].month_um,
            lens_month=self.walks[LENS].month_um,
            body_job=0.0,
            lens_job=0.0,
        )

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON."""
        return {
            "preps": self.preps,
            "readings": self.readings,
            "levels": {
                effect.value: [one.sd, one.share, self.log_sd[effect]] for effect, one in self.levels.items()
            },
            "walks": {
                name: [one.month_um, one.log_sd, one.knocked_share] for name, one in self.walks.items()
            },
            "ring": self.ring,
            "common_sd_um": self.common_sd_um,
            "has_gauge": self.has_gauge,
            "setting": None if self.setting is None else asdict(self.setting),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> "Taught":
        """Read what :meth:`to_json` wrote."""
        levels = data["levels"]
        return cls(
            preps=data["preps"],
            readings=data["readings"],
            levels={Effect(name): Levels(tuple(sd), tuple(share)) for name, (sd, share, _) in levels.items()},
            log_sd={Effect(name): log_sd for name, (_, _, log_sd) in levels.items()},
            walks={
                name: Walk(month_um=month_um, log_sd=log_sd, knocked_share=share)
                for name, (month_um, log_sd, share) in data["walks"].items()
            },
            ring=data.get("ring", 1.0),  # not learned by earlier versions
            common_sd_um=data["common_sd_um"],
            has_gauge=data["has_gauge"],
            setting=SettingSpread(**data["setting"]) if data.get("setting") else None,
        )
