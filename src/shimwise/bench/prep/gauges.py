"""Gauge values of a prep's bodies and lenses: kept, and withdrawn with a reason."""

from shimwise.bench.access.acting import Who, changing, permitted, refuse_anothers
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import NotFound
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.presenter import gauge_view
from shimwise.bench.prep.states import refuse_unless_open
from shimwise.bench.prep.views import GaugeView
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.bench.typed_numbers import check_number
from shimwise.files.limits import ERROR_UM, TOLERANCE_UM
from shimwise.record.queries import evidence
from shimwise.record.record import Record
from shimwise.record.tables.rows import GaugeRow


def add_gauge(
    record: Record,
    prep_id: str,
    *,
    unit_kind: str,
    unit_id: str,
    value_um: float,
    sd_um: float,
    who: Who,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    instrument: str = "",
    note: str = "",
) -> GaugeView:
    """Keep a gauge's value of a unit of this prep, in its present epoch.

    Parameters
    ----------
    unit_kind, unit_id : str
        ``body`` (a depth gauge: deviation from the nominal flange depth) or ``lens`` (a collimator: landing
        at infinity).
    value_um, sd_um : float
        The value and its standard uncertainty. [µm, short < 0 < deep]
    who : str
        Who measured.
    id : str, optional
        Made by the client: sent twice it is kept once.
    instrument, note : str
        In words.

    Raises
    ------
    InputError
        If a number cannot be, or the unit is not of this prep.
    NotFound, Conflict
        As :func:`shimwise.bench.prep.readings.add_reading`.
    """
    person, gauge_id = permitted(who, Act.GAUGE), id_or_new(id)
    check_number(value_um, ERROR_UM, field="value_um", hint=": the deviation, not the flange depth itself")
    check_number(sd_um, TOLERANCE_UM, field="sd_um")
    words = optional_name(instrument, field="instrument"), typed_note(note)
    with changing(record, who, Act.GAUGE) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        unit = material.unit(unit_kind, unit_id)
        row = GaugeRow(
            id=gauge_id,
            unit_kind=unit_kind,
            unit_id=unit_id,
            value_um=value_um,
            sd_um=sd_um,
            taken_by=person,
            taken_at=change.at,
            prep_id=prep_id,
            epoch=unit.epoch,
            instrument=words[0],
            note=words[1],
        )
        return gauge_view(evidence.add_gauge(change, row), unit.name)


def withdraw_gauge(record: Record, prep_id: str, gauge_id: str, *, reason: str, who: Who) -> GaugeView:
    """Withdraw a gauge's value with a reason; it stays in the record.

    Raises
    ------
    NotFound
        If this prep has no such gauge.
    Conflict
        If the prep is closed or signed.
    """
    permitted(who, Act.GAUGE)
    why = typed_name(reason, field="reason")
    with changing(record, who, Act.GAUGE) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        known = next((gauge for gauge in material.gauges if gauge.id == gauge_id), None)
        if known is None:
            raise NotFound("gauge", gauge_id)
        refuse_anothers(who, known.taken_by)
        row = evidence.withdraw(change, GaugeRow, gauge_id, reason=why)
        return gauge_view(row, material.unit(row.unit_kind, row.unit_id).name)
