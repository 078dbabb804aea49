"""All that the record holds of one prep, in one consistent look, before it is shown or judged."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar

from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep.states import OPEN, SIGNED
from shimwise.inference.verdict.answer import Answer
from shimwise.record import Connection
from shimwise.record.queries import evidence, preps, sets, units, verdicts
from shimwise.record.queries.epochs import shifted
from shimwise.record.tables.rows import (
    BodyRow,
    GaugeRow,
    LensRow,
    PrepRow,
    ReadingRow,
    SetRow,
    SetupRow,
    SweepRow,
    VerdictRow,
)
from shimwise.sheets.json.verdict_json import answer_from_json

Unit = TypeVar("Unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepMaterial:
    """A prep's rows. Units by id in the prep's order; readings in theirs, withdrawn ones too."""

    prep: PrepRow
    house: HouseSettings
    set: SetRow | None
    bodies: Mapping[str, BodyRow]
    lenses: Mapping[str, LensRow]
    setups: Mapping[str, SetupRow]
    readings: tuple[ReadingRow, ...]
    gauges: tuple[GaugeRow, ...]
    sweeps: tuple[SweepRow, ...]

    def body(self, body_id: str) -> BodyRow:
        """Return a body of this prep; raise InputError if it is not under test here."""
        return _member(self.bodies, body_id, "body")

    def lens(self, lens_id: str) -> LensRow:
        """Return a lens of this prep; raise InputError if it is not under test here."""
        return _member(self.lenses, lens_id, "lens")

    def unit(self, kind: str, unit_id: str) -> BodyRow | LensRow:
        """Return a body or a lens of this prep; raise InputError if it is not under test here."""
        return self.body(unit_id) if kind == "body" else self.lens(unit_id)

    @property
    def units(self) -> tuple[BodyRow | LensRow, ...]:
        """Bodies and lenses."""
        return (*self.bodies.values(), *self.lenses.values())

    @property
    def valid_readings(self) -> tuple[ReadingRow, ...]:
        """The readings that were not withdrawn."""
        return tuple(row for row in self.readings if row.withdrawn_at is None)

    @property
    def valid_sweeps(self) -> tuple[SweepRow, ...]:
        """The sweeps with a landing that were not withdrawn."""
        return tuple(row for row in self.sweeps if row.withdrawn_at is None and row.landing_um is not None)

    @property
    def evidence(self) -> tuple[ReadingRow | SweepRow, ...]:
        """What there is to judge."""
        return (*self.valid_readings, *self.valid_sweeps)

    @property
    def is_bare(self) -> bool:
        """Whether an open prep has nothing to judge any more: what its verdict was given on is withdrawn."""
        return self.prep.state == OPEN and not self.evidence

    def is_current(self, verdict: VerdictRow) -> bool:
        """Return whether a verdict is on the prep as it is; a signed one stays as it was signed."""
        return verdict.revision == self.prep.revision or self.prep.state == SIGNED

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


def latest_answer(connection: Connection, prep_id: str) -> Answer | None:
    """Return the answer of a prep's latest verdict; None before the first."""
    verdict = verdicts.latest_verdict(connection, prep_id)
    return None if verdict is None else answer_from_json(verdict.document)


def material_of(connection: Connection, prep_id: str) -> PrepMaterial:
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
