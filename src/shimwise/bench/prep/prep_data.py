"""All that the record holds of one prep, in one consistent look, before it is shown or judged."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.record.queries import evidence, preps, sets, units
from shimwise.record.queries.epochs import shifted
from shimwise.record.tables.rows import (
    BodyRow,
    LensRow,
)

if TYPE_CHECKING:
    from shimwise.record import Connection
    from shimwise.record.tables.rows import (
        GaugeRow,
        PrepRow,
        ReadingRow,
        SetRow,
        SetupRow,
        SweepRow,
    )

Unit = TypeVar("Unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepMaterial:
    """A prep's rows. Units by id in the prep's order; readings in theirs, withdrawn ones too."""

    prep: "PrepRow"
    house: HouseSettings
    set: "SetRow | None"
    bodies: Mapping[str, "BodyRow"]
    lenses: Mapping[str, "LensRow"]
    setups: Mapping[str, "SetupRow"]
    readings: tuple["ReadingRow", ...]
    gauges: tuple["GaugeRow", ...]
    sweeps: tuple["SweepRow", ...]

    def body(self, body_id: str) -> "BodyRow":
        """Return a body of this prep; raise InputError if it is not under test here."""
        return _member(self.bodies, body_id, "body")

    def lens(self, lens_id: str) -> "LensRow":
        """Return a lens of this prep; raise InputError if it is not under test here."""
        return _member(self.lenses, lens_id, "lens")

    def unit(self, kind: str, unit_id: str) -> "BodyRow | LensRow":
        """Return a body or a lens of this prep; raise InputError if it is not under test here."""
        return self.body(unit_id) if kind == "body" else self.lens(unit_id)

    @property
    def units(self) -> tuple["BodyRow | LensRow", ...]:
        """Bodies and lenses."""
        return (*self.bodies.values(), *self.lenses.values())

    @property
    def has_evidence(self) -> bool:
        """Whether there is a reading or a landing of a sweep to judge, not withdrawn."""
        return any(row.withdrawn_at is None for row in self.readings) or any(
            row.withdrawn_at is None and row.landing_um is not None for row in self.sweeps
        )

    @property
    def tolerance_um(self) -> float:
        """Tolerance in force where a body has none of its own: the prep's, else the house's. [µm]"""
        return self.house.tolerance_um if self.prep.tolerance_um is None else self.prep.tolerance_um


def _member(units: Mapping[str, Unit], unit_id: str, kind: str) -> Unit:
    if unit_id not in units:
        raise InputError(
            f"is no {kind} of this prep. Add it to the prep first.", field=f"{kind}_id", typed=unit_id
        )
    return units[unit_id]


def material_of(connection: "Connection", prep_id: str) -> PrepMaterial:
    """Read a prep.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    prep = preps.prep(connection, prep_id)
    bodies = units.units_by_id(connection, BodyRow, prep.body_ids)
    lenses = units.units_by_id(connection, LensRow, prep.lens_ids)
    shifts = prep.epoch_shifts
    return PrepMaterial(
        prep=prep,
        house=settings_in(connection),
        set=sets.set_of(connection, prep.set_id) if prep.set_id else None,
        bodies=bodies,
        lenses=lenses,
        setups={setup.id: setup for setup in evidence.setups(connection, prep_id)},
        readings=shifted(evidence.readings(connection, prep_id), shifts),
        gauges=shifted(evidence.gauges(connection, prep_id), shifts),
        sweeps=shifted(evidence.sweeps(connection, prep_id), shifts),
    )
