"""An invented house and a prep with something of every kind. No real person, brand or serial."""

# ruff: noqa: ANN401 - fields of a row are of any kind

import hashlib
import math
from datetime import UTC, datetime, timedelta
from typing import Any

from shimwise.record.journal import Change
from shimwise.record.queries import evidence, preps, sets, units, verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import (
    AdjustmentRow,
    BodyRow,
    GaugeRow,
    LensRow,
    PrepRow,
    ReadingRow,
    SetRow,
    SetupRow,
    SignOffRow,
    SweepRow,
    VerdictRow,
)

NOON = datetime(2025, 3, 1, 12, 0, 0, 123456, tzinfo=UTC)
BODY = BodyRow(
    id="body-a",
    name="Body A",
    serial="0001",
    mount="Invented",
    pixel_pitch_um=5.5,
    mechanism={"kind": "screw", "um_per_turn": 250.0, "has_lock": True},
    history_mean_um=1.25,
    history_sd_um=4.0,
)
LENS = LensRow(
    id="lens-50",
    name="Lens 50 α",
    mount="Invented",
    focal_lengths_mm=(50.0,),
    fnumber=1.8,
    focus_design="internal focus",
    by_distance=((1000.0, 49.0, 12.5), (math.inf, 50.0, 10.0)),
    near_mm=609.6,
)
OTHER = LensRow(id="lens-zoom", name="Zoom", focal_lengths_mm=(24.0, 50.0, 70.0), fnumber=2.8, scale_unit="m")
SIGNED_JSON = '{"prep":{"title":"invented \\"α\\""}}'
SET = SetRow(id="set-1", name="Set 1", lens_ids=("lens-zoom", "lens-50"))


def a_prep(number: int = 1, **more: Any) -> PrepRow:
    """Make a prep of the house."""
    values: dict[str, Any] = {
        "id": f"prep-{number}",
        "title": f"Invented job {number}",
        "started_at": NOON + timedelta(hours=number),
        "started_by": "Ann",
        "set_id": "set-1",
        "body_ids": ("body-a",),
        "lens_ids": ("lens-zoom", "lens-50"),
    }
    return PrepRow(**{**values, **more})


def a_setup(number: int = 1, prep: int = 1, **more: Any) -> SetupRow:
    """Make a set-up of a prep."""
    values: dict[str, Any] = {
        "id": f"setup-{prep}-{number}",
        "prep_id": f"prep-{prep}",
        "body_id": "body-a",
        "name": f"chart {number}",
        "distance_mm": 1828.8,
        "distance_text": "6'",
        "taped_by": "Ann",
        "taped_at": NOON,
    }
    return SetupRow(**{**values, **more})


def a_reading(number: int = 1, prep: int = 1, **more: Any) -> ReadingRow:
    """Make a reading of a prep."""
    values: dict[str, Any] = {
        "id": f"reading-{prep}-{number}",
        "prep_id": f"prep-{prep}",
        "setup_id": f"setup-{prep}-1",
        "body_id": "body-a",
        "lens_id": "lens-50",
        "focal_mm": 50.0,
        "fnumber": 1.8,
        "reading_mm": 1813.0 + number,
        "reading_text": "5' 11 3/8\"",
        "operator": "Ann",
        "taken_at": NOON + timedelta(minutes=number),
    }
    return ReadingRow(**{**values, **more})


def a_house(change: Change) -> None:
    """Put the invented units into a record."""
    units.add_unit(change, BODY)
    units.add_unit(change, LENS)
    units.add_unit(change, OTHER)
    sets.add_set(change, SET)


def a_job(record: Record, number: int = 1, *, readings: int = 3) -> None:
    """Put the house and a prep with readings into a record."""
    with record.writing(who="Ann") as change:
        a_house(change)
        preps.add_prep(change, a_prep(number))
        evidence.add_setup(change, a_setup(prep=number))
        for place in range(1, readings + 1):
            evidence.add_reading(change, a_reading(place, number))


def a_verdict(revision: int, prep: int = 1, **more: Any) -> VerdictRow:
    """Make a verdict of a prep on one of its revisions."""
    line = {"error_um": -14.5, "sd_um": 2.0, "low_um": -18.4, "high_um": -10.6, "p_out": 0.98}
    document = {
        "schema": "shimwise.verdict/1",
        "bodies": [{"name": "Body A", "verdict": "out_short", **line}],
        "lenses": [{"name": "Lens 50 α", "verdict": "not_checked", **line, "error_um": 1.5}],
    }
    values: dict[str, Any] = {
        "id": f"verdict-{prep}-{revision}",
        "prep_id": f"prep-{prep}",
        "revision": revision,
        "given_at": NOON + timedelta(hours=prep, seconds=revision),
        "program_version": "0.1.0",
        "document": document,
        "headline": f"Body A is out, short (revision {revision}).",
    }
    return VerdictRow(**{**values, **more})


def a_whole_job(record: Record) -> None:
    """Put a prep that holds something of every kind into a record."""
    a_job(record)
    taken = {"taken_by": "Bo", "taken_at": NOON}
    with record.writing(who="Bo") as change:
        evidence.withdraw(change, ReadingRow, "reading-1-2", reason="bumped the stand")
        evidence.add_setup(
            change, a_setup(2, distance_mm=math.inf, distance_text="INF", chart="collimator, “far”")
        )
        evidence.add_reading(
            change,
            a_reading(9, setup_id="setup-1-2", reading_mm=math.inf, reading_text="on", note="=1+1; ünï"),
        )
        evidence.add_gauge(
            change,
            GaugeRow(
                id="gauge-1",
                prep_id="prep-1",
                unit_kind="body",
                unit_id="body-a",
                value_um=-12.0,
                sd_um=3.0,
                **taken,
            ),
        )
        evidence.add_gauge(
            change,
            GaugeRow(
                id="gauge-2",
                prep_id="prep-1",
                unit_kind="lens",
                unit_id="lens-50",
                value_um=4.0,
                sd_um=2.0,
                **taken,
            ),
        )
        evidence.withdraw(change, GaugeRow, "gauge-2", reason="collimator was cold")
        evidence.add_sweep(
            change,
            SweepRow(
                id="sweep-1",
                prep_id="prep-1",
                setup_id="setup-1-1",
                body_id="body-a",
                lens_id="lens-50",
                result={"schema": "shimwise.sweep/1", "best_um": 3.5, "flags": ["few frames"]},
                landing_um=-3.5,
                sd_um=1.5,
                frames_place="frames/prep-1/sweep-1",
                **taken,
            ),
        )
        verdicts.add_verdict(change, a_verdict(5))
        verdicts.add_adjustment(
            change,
            AdjustmentRow(
                id="adjustment-1",
                prep_id="prep-1",
                unit_kind="body",
                unit_id="body-a",
                action="move sensor",
                amount_um=14.0,
                turns=0.056,
                steps=({"step": "unlock"}, {"step": "turn"}),
                made_by="Bo",
                made_at=NOON,
            ),
        )
        verdicts.add_sign_off(
            change,
            SignOffRow(
                id="sign-off-1",
                prep_id="prep-1",
                revision=9,
                signed_by="Bo",
                signed_at=NOON,
                digest=hashlib.sha256(SIGNED_JSON.encode()).hexdigest(),
                exceptions=("Zoom was not checked",),
                signed_json=SIGNED_JSON,
            ),
        )
        preps.change_state(change, "prep-1", "signed")
