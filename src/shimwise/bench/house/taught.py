"""What the house's signed preps have taught, as the record keeps it, and what the judge may use of it."""

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.house.settings import settings_in
from shimwise.inference.house.taught import Taught
from shimwise.inference.model.priors import Priors
from shimwise.record.queries import settings as kept_settings

if TYPE_CHECKING:
    from shimwise.inference.model.joint_memory import DriftRates
    from shimwise.record.record import Change, Connection

TAUGHT_KEY = "taught"


def taught_in(connection: "Connection") -> Taught | None:
    """Return what the house has taught, None before anything was signed."""
    stored: Any = kept_settings.setting(connection, TAUGHT_KEY)
    return Taught.from_json(stored) if stored else None


def keep_taught(change: "Change", taught: Taught) -> None:
    """Keep what the house has taught."""
    kept_settings.change_setting(change, TAUGHT_KEY, taught.to_json())


def priors_in(connection: "Connection") -> "Priors | None":
    """Return the judge's priors: the house's own spreads once enough preps are signed, and what it has set.

    None where the starting values hold.
    """
    taught, set_sd_mm = taught_in(connection), settings_in(connection).setting_sd_mm
    learned = taught.priors() if taught is not None and taught.is_used else None
    return learned if set_sd_mm is None else replace(learned or Priors(), setting_sd_mm=set_sd_mm)


def rates_in(connection: "Connection") -> "DriftRates | None":
    """Return how fast units wander as the house has taught it; None while too few preps are signed."""
    taught = taught_in(connection)
    return taught.rates() if taught is not None and taught.is_used else None
