"""What speaks beside readings by eye: gauges of bodies and lenses, and sweeps that frames measured."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.errors import InputError, NotFound
from shimwise.bench.house.unit_checks import LEAST_SD_UM
from shimwise.bench.prep.lookups import refuse_unless_open
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.presenter import gauge_view, sweep_view
from shimwise.bench.prep.reading_text import typed_distance
from shimwise.bench.prep.setups import new_setup, setup_at
from shimwise.bench.prep.views import GaugeView, SweepView
from shimwise.bench.sweep.frame_files import kept_place
from shimwise.bench.typed_names import id_or_new, optional_name, typed_name, typed_note
from shimwise.files.kit_file import LARGEST_ERROR_UM
from shimwise.record.queries import evidence
from shimwise.record.tables.rows import BodyRow, GaugeRow, LensRow, SweepRow

if TYPE_CHECKING:
    from shimwise.bench.desk.inputs import Progress
    from shimwise.bench.sweep.work import SweepTask
    from shimwise.record import Record

__all__ = [
    "SweepFacts",
    "add_gauge",
    "add_sweep",
    "keep_sweep",
    "sweep_task",
    "withdraw_gauge",
    "withdraw_sweep",
]


def add_gauge(
    record: "Record",
    prep_id: str,
    *,
    unit_kind: str,
    unit_id: str,
    value_um: float,
    sd_um: float,
    who: str,
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
        When a number cannot be, or the unit is not of this prep.
    NotFound, Conflict
        As :func:`shimwise.bench.prep.readings.add_reading`.
    """
    person, gauge_id = typed_name(who, field="who"), id_or_new(id)
    _check_gauge(value_um, sd_um)
    words = optional_name(instrument, field="instrument"), typed_note(note)
    with record.writing(who=person) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        unit = _unit(material, unit_kind, unit_id)
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


def withdraw_gauge(record: "Record", prep_id: str, gauge_id: str, *, reason: str, who: str) -> GaugeView:
    """Withdraw a gauge's value with a reason; it stays in the record.

    Raises
    ------
    NotFound
        When this prep has no such gauge.
    Conflict
        When the prep is closed or signed.
    """
    person, why = typed_name(who, field="who"), typed_name(reason, field="reason")
    with record.writing(who=person) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        known = next((gauge for gauge in material.gauges if gauge.id == gauge_id), None)
        if known is None:
            raise NotFound("gauge", gauge_id)
        row = evidence.withdraw_gauge(change, gauge_id, reason=why)
        return gauge_view(row, _unit(material, row.unit_kind, row.unit_id).name)


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepFacts:
    """What a person says of a sweep: what was under test, where the chart stands, and what the files lack.

    ``distance_text``: taped from the witness mark to the chart; of a chart that moves, where the ring stands.
    What is None is left to the files, or to the lens and the body of the prep.
    """

    body_id: str
    lens_id: str
    distance_text: str
    focal_mm: float | None = None
    fnumber: float | None = None
    pitch_um: float | None = None
    transfer: str | None = None
    signal_range: str | None = None
    black_level: float | None = None
    white_level: float | None = None


def add_sweep(
    record: "Record",
    prep_id: str,
    *,
    place: str | Path,
    facts: SweepFacts,
    who: str,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    positions: str | Path | None = None,
    progress: "Progress | None" = None,
    is_cancelled: Callable[[], bool] | None = None,
) -> SweepView:
    """Measure a sweep and keep its result.

    Parameters
    ----------
    place : path
        Folder of frames, or a clip; ``positions`` the CSV of positions where there is no ``sweep.json``.
    facts : SweepFacts
        What was under test.
    who : str
        Who swept.
    progress : callable, optional
        Told from time to time.
    is_cancelled : callable, optional
        Asked from time to time; when it says yes the work ends and nothing is kept.

    Raises
    ------
    SweepCancelledError
        When it was cancelled.
    ImagingError, OpticsError
        When the frames cannot be measured.
    InputError, NotFound, Conflict
        As :func:`shimwise.bench.prep.readings.add_reading`.
    """
    from shimwise.bench.sweep.work import measured_document

    task = sweep_task(record, prep_id, place=place, facts=facts, positions=positions)
    document = measured_document(task, progress=progress, is_cancelled=is_cancelled)
    kept = kept_place(record, place)
    return keep_sweep(record, prep_id, facts=facts, document=document, frames_place=kept, who=who, id=id)


def sweep_task(
    record: "Record",
    prep_id: str,
    *,
    place: str | Path,
    facts: SweepFacts,
    positions: str | Path | None = None,
) -> "SweepTask":
    """Give all that measuring a sweep takes, as plain values: what is not said comes from lens and body.

    Parameters
    ----------
    place : path
        Where the frames lie; empty before they came: then what they say is not looked at.

    Raises
    ------
    InputError
        When a unit is not of this prep, or the distance is none; when lens or body are others than the sweep
        says, or its frames are those of an earlier sweep.
    NotFound, Conflict
        When there is no such prep, or it is closed.
    """
    from shimwise.bench.sweep.match import (
        earlier_sweeps,
        refuse_other_units,
        refuse_same_frames,
        said_by_files,
    )
    from shimwise.bench.sweep.work import SweepTask

    distance = typed_distance(facts.distance_text)
    with record.reading() as connection:
        refuse_unless_open(connection, prep_id)
        material = material_of(connection, prep_id)
    body, lens = _unit(material, "body", facts.body_id), _unit(material, "lens", facts.lens_id)
    is_zoom = len(lens.focal_lengths_mm) != 1
    if str(place):
        typed = {"focal_mm": facts.focal_mm, "pitch_um": facts.pitch_um}
        said = {key: value for key, value in typed.items() if value is not None}
        refuse_other_units({**said_by_files(Path(place)), **said}, body=body, lens=lens)
        refuse_same_frames(Path(place), earlier_sweeps(material, folder=record.folder))
    return SweepTask(
        place=str(place),
        positions=None if positions is None else str(positions),
        body=body.name,
        lens=lens.name,
        distance_mm=distance.mm,
        separation_mm=lens.separation_mm or 0.0,
        recording={
            "focal_mm": facts.focal_mm,
            "fnumber": facts.fnumber,
            "pitch_um": facts.pitch_um,
            "transfer": facts.transfer,
            "signal_range": facts.signal_range,
            "black_level": facts.black_level,
            "white_level": facts.white_level,
        },
        usual={
            "focal_mm": None if is_zoom else lens.focal_lengths_mm[0],
            "fnumber": lens.fnumber,
            "pitch_um": body.pixel_pitch_um,
        },
    )


def keep_sweep(
    record: "Record",
    prep_id: str,
    *,
    facts: SweepFacts,
    document: dict[str, Any],
    frames_place: str = "",
    who: str,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
) -> SweepView:
    """Keep what a sweep said, with the place of its frames; one whose peak is withheld is kept too.

    ``frames_place`` is what :func:`shimwise.bench.sweep.frame_files.kept_place` gives of it.

    Raises
    ------
    InputError, NotFound, Conflict
        As :func:`add_sweep`.
    """
    person, sweep_id, distance = (
        typed_name(who, field="who"),
        id_or_new(id),
        typed_distance(facts.distance_text),
    )
    is_told = not document.get("is_relative") and document["sd_um"] is not None
    landing_um = document["landing_um"] if is_told else None
    with record.writing(who=person) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        body, lens = _unit(material, "body", facts.body_id), _unit(material, "lens", facts.lens_id)
        known = list(material.setups.values())
        setup = setup_at(known, body_id=body.id, distance=distance)
        if setup is None:
            setup = evidence.add_setup(
                change,
                new_setup(prep_id, body, distance, known=known, taped_by=person, taped_at=change.at),
            )
        row = evidence.add_sweep(
            change,
            SweepRow(
                id=sweep_id,
                prep_id=prep_id,
                body_id=body.id,
                lens_id=lens.id,
                result=document,
                taken_by=person,
                taken_at=change.at,
                setup_id=setup.id,
                landing_um=landing_um,
                sd_um=document["sd_um"] if landing_um is not None else None,
                frames_place=frames_place,
                body_epoch=body.epoch,
                lens_epoch=lens.epoch,
            ),
        )
    return sweep_view(row, replace(material, setups={**material.setups, setup.id: setup}))


def withdraw_sweep(record: "Record", prep_id: str, sweep_id: str, *, reason: str, who: str) -> SweepView:
    """Withdraw a sweep with a reason; it stays in the record. Errors as :func:`withdraw_gauge`."""
    person, why = typed_name(who, field="who"), typed_name(reason, field="reason")
    with record.writing(who=person) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        if all(sweep.id != sweep_id for sweep in material.sweeps):
            raise NotFound("sweep", sweep_id)
        row = evidence.withdraw_sweep(change, sweep_id, reason=why)
    return sweep_view(row, material)


def _unit(material: PrepMaterial, kind: str, unit_id: str) -> Any:  # noqa: ANN401 - a body's row or a lens's
    """Give a unit of the prep.

    Raises
    ------
    InputError
        When it is not under test in this prep.
    """
    units: Mapping[str, BodyRow | LensRow] = material.bodies if kind == "body" else material.lenses
    if unit_id not in units:
        raise InputError(
            f"is no {kind} of this prep. Add it to the prep first.", field=f"{kind}_id", typed=unit_id
        )
    return units[unit_id]


def _check_gauge(value_um: float, sd_um: float) -> None:
    if not (math.isfinite(value_um) and abs(value_um) <= LARGEST_ERROR_UM):
        raise InputError(
            f"is out of range; accepted is from -{LARGEST_ERROR_UM:g} to {LARGEST_ERROR_UM:g} µm: the "
            "deviation, not the flange depth itself.",
            field="value_um",
            typed=f"{value_um:g}",
        )
    if not (math.isfinite(sd_um) and LEAST_SD_UM <= sd_um <= LARGEST_ERROR_UM):
        raise InputError(
            f"is out of range; accepted is from {LEAST_SD_UM:g} to {LARGEST_ERROR_UM:g} µm.",
            field="sd_um",
            typed=f"{sd_um:g}",
        )
