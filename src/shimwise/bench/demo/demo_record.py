"""The invented bench in a record of its own: what the pages show before a house has entered anything.

Invented data: no such bodies, lenses or people exist.
"""

import csv
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING

from shimwise.bench.house.kit_units import mechanism_of_kit
from shimwise.bench.house.units import add_body, add_lens, add_set, list_units
from shimwise.bench.house.views import BodyFacts, LensFacts, SetFacts
from shimwise.bench.prep.preps import close_prep, list_preps, start_prep, tape_setup
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.files.kit import Kit
from shimwise.files.kit_file import parse_kit

if TYPE_CHECKING:
    from shimwise.bench.desk.inputs import Progress
    from shimwise.record import Record

__all__ = ["DemoRecord", "fill_demo", "is_empty"]

WHO = "technician"
MOUNT = "PL"
NOTE = "Invented data."
DONE_READINGS = (
    ("K24", "3'", "2' 11 3/4\""),
    ("K24", "3'", "3'"),
    ("K24", "6'", "6'"),
    ("K35", "3'", "3' 1/8\""),
    ("K35", "3'", "3'"),
    ("K35", "6'", "5' 11 3/4\""),
    ("K65", "3'", "3'"),
    ("K65", "3'", "2' 11 15/16\""),
    ("K65", "6'", "6' 1/8\""),
)
"""Lens, taped distance and reading of the prep that is done: all near the mark."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRecord:
    """What was put into the record: the open prep, the one that is done, and how many readings."""

    open_prep_id: str
    done_prep_id: str
    reading_count: int


def is_empty(record: "Record") -> bool:
    """Tell whether a record holds no body and no prep yet."""
    has_bodies = list_units(record, BodyFacts, limit=1, with_retired=True).units
    return not has_bodies and not list_preps(record, limit=1).preps


def fill_demo(record: "Record", *, progress: "Progress | None" = None) -> DemoRecord:
    """Put the invented bench into a fresh record: bodies, lenses, sets, a prep that is done and an open one.

    Parameters
    ----------
    record : Record
        A fresh one; names that are taken refuse it.
    progress : callable, optional
        Told from time to time.

    Raises
    ------
    RecordError
        When the record cannot keep it.
    """
    bench = files("shimwise.bench.demo").joinpath("demo_bench")
    kit = parse_kit(bench.joinpath("kit.toml").read_text(encoding="utf-8"), name="kit.toml")
    rows = list(csv.DictReader(bench.joinpath("readings.csv").read_text(encoding="utf-8").splitlines()))
    done = _done_prep(record)
    body_ids = {
        name: add_body(
            record,
            facts=BodyFacts(
                name=name,
                mount=MOUNT,
                circle_of_confusion_um=body.circle_of_confusion_um,
                mechanism=mechanism_of_kit(body.mechanism),
                note=NOTE,
            ),
            who=WHO,
        ).id
        for name, body in kit.bodies.items()
    }
    lens_ids = _add_lenses(record, kit)
    set_id = add_set(
        record, facts=SetFacts(name="H", lens_ids=tuple(lens_ids.values()), note=NOTE), who=WHO
    ).id
    prep = start_prep(
        record,
        body_ids=tuple(body_ids.values()),
        set_id=set_id,
        title="Invented bench: A-07 and A-12 with set H",
        note=NOTE,
        who=WHO,
    )
    _read(record, prep.id, rows, body_ids, lens_ids, progress)
    if progress is not None:
        progress("Judging", 0, 0)
    refresh_verdict(record, prep.id)
    return DemoRecord(open_prep_id=prep.id, done_prep_id=done, reading_count=len(rows) + len(DONE_READINGS))


def _done_prep(record: "Record") -> str:
    body = add_body(
        record,
        facts=BodyFacts(name="A-03", mount=MOUNT, history_mean_um=0, history_sd_um=4, note=NOTE),
        who=WHO,
    )
    lens_ids = {
        name: add_lens(
            record,
            facts=LensFacts(
                name=name,
                mount=MOUNT,
                focal_lengths_mm=(focal_mm,),
                fnumber=2.0,
                history_mean_um=0,
                history_sd_um=4,
                near_mm=500.0,
                note=NOTE,
            ),
            who=WHO,
        ).id
        for name, focal_mm in (("K24", 24.0), ("K35", 35.0), ("K65", 65.0))
    }
    set_id = add_set(
        record, facts=SetFacts(name="K", lens_ids=tuple(lens_ids.values()), note=NOTE), who=WHO
    ).id
    prep = start_prep(
        record,
        body_ids=(body.id,),
        set_id=set_id,
        title="Invented bench: A-03 with set K",
        note=NOTE,
        who=WHO,
    )
    for lens, distance, reading in DONE_READINGS:
        add_reading(
            record,
            prep.id,
            body_id=body.id,
            lens_id=lens_ids[lens],
            distance_text=distance,
            reading_text=reading,
            operator=WHO,
        )
    refresh_verdict(record, prep.id)
    close_prep(record, prep.id, who=WHO)
    return prep.id


def _add_lenses(record: "Record", kit: Kit) -> dict[str, str]:
    return {
        name: add_lens(
            record,
            facts=LensFacts(
                name=name,
                mount=MOUNT,
                focal_lengths_mm=lens.focal_lengths_mm,
                fnumber=lens.fnumber or 2.0,
                separation_mm=lens.separation_mm,
                history_mean_um=lens.history_mean_um,
                history_sd_um=lens.history_sd_um,
                note=NOTE,
            ),
            who=WHO,
        ).id
        for name, lens in kit.lenses.items()
    }


def _read(
    record: "Record",
    prep_id: str,
    rows: list[dict[str, str]],
    body_ids: dict[str, str],
    lens_ids: dict[str, str],
    progress: "Progress | None",
) -> None:
    setups: dict[str, str] = {}
    for count, row in enumerate(rows):
        if progress is not None:
            progress("Entering the invented readings", count, len(rows))
        if row["setup"] not in setups:
            setups[row["setup"]] = tape_setup(
                record,
                prep_id,
                body_id=body_ids[row["body"]],
                distance_text=row["distance"],
                name=row["setup"],
                who=WHO,
            ).id
        add_reading(
            record,
            prep_id,
            body_id=body_ids[row["body"]],
            lens_id=lens_ids[row["lens"]],
            setup_id=setups[row["setup"]],
            reading_text=row["reading"],
            operator=row["operator"],
        )
