"""How fast the house's units wander between preps: the settings, and why the house has them so."""

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.house.taught import rates_in
from shimwise.bench.typed_names import typed_name
from shimwise.bench.typed_numbers import check_number
from shimwise.files.limits import NumberRange
from shimwise.record.queries import settings as kept_settings

if TYPE_CHECKING:
    from shimwise.inference.model.joint_memory import DriftRates
    from shimwise.record.record import Connection, Record

WEAR_KEY = "wear"
RATE_UM = NumberRange(0.0, 100.0, "µm")


@dataclass(frozen=True, slots=True, kw_only=True)
class WearSettings:
    """How fast units wander: sd after one month and sd added by one job, and the house's reason. [µm]"""

    body_month_um: float = 1.5
    body_job_um: float = 2.0
    lens_month_um: float = 1.5
    lens_job_um: float = 2.0
    reason: str = "Common practice, no source: mounts settle, shims bed in, cases fall over."

    def as_wear(self) -> "DriftRates":
        """Return it as the memory takes it."""
        from shimwise.inference.model.joint_memory import DriftRates

        return DriftRates(
            body_month=self.body_month_um,
            body_job=self.body_job_um,
            lens_month=self.lens_month_um,
            lens_job=self.lens_job_um,
        )


def wear(record: "Record") -> WearSettings:
    """Return how fast units are taken to wander."""
    with record.reading() as connection:
        return wear_in(connection)


def wear_in(connection: "Connection") -> WearSettings:
    """Return it as one look at the record has it."""
    stored: Any = kept_settings.setting(connection, WEAR_KEY)
    return WearSettings(**stored) if stored else WearSettings()


def rates_of(connection: "Connection") -> "DriftRates":
    """Return the rates in force: the house's settings, else what its preps taught, else the usual ones."""
    taught = None if kept_settings.setting(connection, WEAR_KEY) else rates_in(connection)
    return taught or wear_in(connection).as_wear()


def change_wear(record: "Record", *, settings: WearSettings, who: Who) -> WearSettings:
    """Put other rates in force, with the reason.

    Raises
    ------
    InputError
        If a rate cannot be, or no reason is given.
    """
    permitted(who, Act.SETTINGS)
    reason = typed_name(settings.reason, field="reason")
    for field, value in asdict(settings).items():
        if field != "reason":
            check_number(value, RATE_UM, field=field)
    checked = replace(settings, reason=reason)
    with changing(record, who, Act.SETTINGS) as change:
        kept_settings.change_setting(change, WEAR_KEY, asdict(checked))
        change.note("wear changed", detail=asdict(checked))
    return checked
