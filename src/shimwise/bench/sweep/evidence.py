"""Sweeps as evidence of a prep: described, measured, kept, and withdrawn with a reason."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted, refuse_anothers
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import NotFound
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.presenter import sweep_view
from shimwise.bench.prep.setups import taped_setup
from shimwise.bench.prep.states import refuse_unless_open
from shimwise.bench.prep.views import SweepView
from shimwise.bench.sweep.frame_files import sweep_settings
from shimwise.bench.sweep.match import (
    earlier_sweeps,
    refuse_other_units,
    refuse_same_frames,
)
from shimwise.bench.sweep.work import SweepTask
from shimwise.bench.typed_lengths import typed_distance
from shimwise.bench.typed_names import id_or_new, typed_name
from shimwise.record.queries import evidence
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import SweepRow

RECORDING = ("focal_mm", "fnumber", "pitch_um", "transfer", "signal_range", "black_level", "white_level")
"""What a request may state of the recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRequest:
    """What a person states of a sweep: what was under test, the chart's distance, and what the files lack.

    ``distance_text``: taped from the witness mark to the chart; of a chart that moves, the ring's reading.
    ``scale``: how many of the sensor's pixels, a side, one of the frames shows: ``pitch_um``, or the body's,
    is that of the sensor then. What is None is left to the files, or to the lens and the body of the prep.
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
    scale: float | None = None


def sweep_task(record: Record, prep_id: str, *, place: str | Path, facts: SweepRequest) -> SweepTask:
    """Return all that measuring a sweep takes; what the request leaves out comes from lens and body.

    Parameters
    ----------
    place : path
        Where the frames lie; empty before they came: then their content is not checked.

    Raises
    ------
    InputError
        If a unit is not of this prep, or the distance is none; when lens or body are others than the sweep
        states, or its frames are those of an earlier sweep.
    NotFound, Conflict
        If there is no such prep, or it is closed.
    """
    distance = typed_distance(facts.distance_text)
    with record.reading() as connection:
        refuse_unless_open(connection, prep_id)
        material = material_of(connection, prep_id)
    body, lens = material.body(facts.body_id), material.lens(facts.lens_id)
    is_zoom = len(lens.focal_lengths_mm) != 1
    if str(place):
        typed = {"focal_mm": facts.focal_mm, "pitch_um": facts.pitch_um}
        stated = {key: value for key, value in typed.items() if value is not None}
        refuse_other_units({**sweep_settings(Path(place)), **stated}, body=body, lens=lens)
        refuse_same_frames(Path(place), earlier_sweeps(record, material))
    return SweepTask(
        place=str(place),
        body=body.name,
        lens=lens.name,
        distance_mm=distance.mm,
        separation_mm=lens.separation_mm or 0.0,
        recording={name: getattr(facts, name) for name in RECORDING}
        | {"pitch_um": _scaled(facts.pitch_um, facts.scale)},
        usual={
            "focal_mm": None if is_zoom else lens.focal_lengths_mm[0],
            "fnumber": lens.fnumber,
            "pitch_um": _scaled(body.pixel_pitch_um, facts.scale),
        },
    )


def _scaled(pitch_um: float | None, scale: float | None) -> float | None:
    """Return the pitch of a frame's pixels, of the sensor's. [µm]"""
    return pitch_um if pitch_um is None or scale is None else pitch_um * scale


def keep_sweep(
    record: Record,
    prep_id: str,
    *,
    facts: SweepRequest,
    document: dict[str, Any],
    frames_place: str = "",
    who: Who,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
    taken_at: datetime | None = None,
    fence: Callable[[Connection], None] = lambda _: None,
) -> SweepView:
    """Keep the result of a sweep, with the place of its frames; one whose peak is withheld is kept too.

    ``frames_place`` comes from :func:`shimwise.bench.sweep.frame_files.kept_place`; what ``fence`` raises in
    the transaction undoes it. ``taken_at``: when the frames were there, before they were measured; now where
    it is not given.

    Raises
    ------
    InputError, NotFound, Conflict
        As :func:`shimwise.bench.prep.readings.add_reading`.
    """
    person, sweep_id, distance = (
        permitted(who, Act.READ),
        id_or_new(id),
        typed_distance(facts.distance_text),
    )
    is_measured = not document.get("is_relative") and document["sd_um"] is not None
    landing_um = document["landing_um"] if is_measured else None
    with changing(record, who, Act.READ) as change:
        fence(change.connection)
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        body, lens = material.body(facts.body_id), material.lens(facts.lens_id)
        setup = taped_setup(change, prep_id, body, distance, known=material.setups.values())
        row = evidence.add_sweep(
            change,
            SweepRow(
                id=sweep_id,
                prep_id=prep_id,
                body_id=body.id,
                lens_id=lens.id,
                result=document,
                taken_by=person,
                taken_at=min(taken_at or change.at, change.at),
                setup_id=setup.id,
                landing_um=landing_um,
                sd_um=document["sd_um"] if landing_um is not None else None,
                frames_place=frames_place,
                body_epoch=body.epoch,
                lens_epoch=lens.epoch,
            ),
        )
    return sweep_view(row, replace(material, setups={**material.setups, setup.id: setup}))


def withdraw_sweep(record: Record, prep_id: str, sweep_id: str, *, reason: str, who: Who) -> SweepView:
    """Withdraw a sweep with a reason; it stays in the record. Errors as :func:`withdraw_gauge`."""
    permitted(who, Act.READ)
    why = typed_name(reason, field="reason")
    with changing(record, who, Act.READ) as change:
        refuse_unless_open(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        known = next((sweep for sweep in material.sweeps if sweep.id == sweep_id), None)
        if known is None:
            raise NotFound("sweep", sweep_id)
        refuse_anothers(who, known.taken_by)
        row = evidence.withdraw(change, SweepRow, sweep_id, reason=why)
    return sweep_view(row, material)
