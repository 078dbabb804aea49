"""What the house's signed preps have taught, as the record keeps it, and what the judge may use of it."""

from typing import TYPE_CHECKING, Any

from shimwise.inference.house.taught import Taught
from shimwise.record.queries import settings as kept_settings

if TYPE_CHECKING:
    from shimwise.inference.model.joint_memory import DriftRates
    from shimwise.inference.model.priors import Priors
    from shimwise.record import Connection
    from shimwise.record.journal import Change

TAUGHT_KEY = "taught"


def taught_in(connection: "Connection") -> Taught | None:
    """Return what the house has taught, None before anything was signed."""
    stored: Any = kept_settings.setting(connection, TAUGHT_KEY)
    return Taught.from_json(stored) if stored else None


def keep_taught(change: "Change", taught: Taught) -> None:
    """Keep what the house has taught."""
    kept_settings.change_setting(change, TAUGHT_KEY, taught.to_json())


def priors_in(connection: "Connection") -> "Priors | None":
    """Return the judge's priors with the house's own spreads; None while too few preps are signed."""
    taught = taught_in(connection)
    return taught.priors() if taught is not None and taught.is_used else None


def rates_in(connection: "Connection") -> "DriftRates | None":
    """Return how fast units wander as the house has taught it; None while too few preps are signed."""
    taught = taught_in(connection)
    return taught.rates() if taught is not None and taught.is_used else None
