"""The invented bench in a record of its own: what the pages show before a house has entered anything.

Invented data: no such bodies, lenses or people exist.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

from shimwise.bench.desk.inputs import Progress
from shimwise.bench.house.kit_units import mechanism_of_kit
from shimwise.bench.house.units import add_set, add_unit, list_units
from shimwise.bench.house.views import BodyFacts, LensFacts, SetFacts
from shimwise.bench.prep.preps import close_prep, list_preps, start_prep, tape_setup
from shimwise.bench.prep.readings import add_reading
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.fields import build_from
from shimwise.files.kit_file import parse_kit
from shimwise.record.record import Record

WHO = "technician"
MOUNT = "PL"
NOTE = "Invented data."
DONE_BODY = "A-03"
DONE_LENSES_MM = {"K24": 24.0, "K35": 35.0, "K65": 65.0}
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


def is_empty(record: Record) -> bool:
    """Return whether a record holds no body and no prep yet."""
    has_bodies = list_units(record, BodyFacts, limit=1, with_retired=True).units
    return not has_bodies and not list_preps(record, limit=1).preps


def fill_demo(record: Record, *, progress: Progress | None = None) -> DemoRecord:
    """Put the invented bench into a fresh record: bodies, lenses, sets, a prep that is done and an open one.

    Parameters
    ----------
    record : Record
        A fresh one.
    progress : callable, optional
        Called from time to time.

    Raises
    ------
    RecordError
        If the record cannot keep it, or holds units of these names.
    """
    bench = files("shimwise.bench.demo").joinpath("demo_bench")
    kit = parse_kit(bench.joinpath("kit.toml").read_text(encoding="utf-8"), name="kit.toml")
    rows = list(csv.DictReader(bench.joinpath("readings.csv").read_text(encoding="utf-8").splitlines()))
    done_id = _fill_done(record)
    bodies = [
        build_from(
            BodyFacts, body, name=name, mechanism=mechanism_of_kit(body.mechanism), mount=MOUNT, note=NOTE
        )
        for name, body in kit.bodies.items()
    ]
    lenses = [
        build_from(LensFacts, lens, name=name, focus_design="", squeeze=1.0, mount=MOUNT, note=NOTE)
        for name, lens in kit.lenses.items()
    ]
    title = "Invented bench: A-07 and A-12 with set H"
    prep_id, ids = _start(record, bodies, lenses, set_name="H", title=title)
    _read(record, prep_id, ids, rows, progress)
    if progress is not None:
        progress("Judging", 0, 0)
    refresh_verdict(record, prep_id)
    return DemoRecord(
        open_prep_id=prep_id, done_prep_id=done_id, reading_count=len(rows) + len(DONE_READINGS)
    )


def _fill_done(record: Record) -> str:
    """Start, read, judge and close a prep in which all is well; return its id."""
    lenses = [
        LensFacts(
            name=name,
            focal_lengths_mm=(focal_mm,),
            fnumber=2.0,
            near_mm=500.0,
            history_mean_um=0.0,
            history_sd_um=4.0,
            mount=MOUNT,
            note=NOTE,
        )
        for name, focal_mm in DONE_LENSES_MM.items()
    ]
    body = BodyFacts(name=DONE_BODY, history_mean_um=0.0, history_sd_um=4.0, mount=MOUNT, note=NOTE)
    title = "Invented bench: A-03 with set K"
    prep_id, ids = _start(record, [body], lenses, set_name="K", title=title)
    rows = [
        {"body": DONE_BODY, "lens": lens, "distance": distance, "reading": reading, "operator": WHO}
        for lens, distance, reading in DONE_READINGS
    ]
    _read(record, prep_id, ids, rows, None)
    refresh_verdict(record, prep_id)
    close_prep(record, prep_id, who=WHO)
    return prep_id


def _start(
    record: Record,
    bodies: Sequence[BodyFacts],
    lenses: Sequence[LensFacts],
    *,
    set_name: str,
    title: str,
) -> tuple[str, dict[str, str]]:
    """Add units and their set, and start a prep of them; return its id, and the units' ids by name."""
    body_ids = {facts.name: add_unit(record, facts=facts, who=WHO).id for facts in bodies}
    lens_ids = {facts.name: add_unit(record, facts=facts, who=WHO).id for facts in lenses}
    facts = SetFacts(name=set_name, lens_ids=tuple(lens_ids.values()), note=NOTE)
    prep = start_prep(
        record,
        body_ids=tuple(body_ids.values()),
        set_id=add_set(record, facts=facts, who=WHO).id,
        title=title,
        note=NOTE,
        who=WHO,
    )
    return prep.id, {**body_ids, **lens_ids}


def _read(
    record: Record,
    prep_id: str,
    ids: dict[str, str],
    rows: list[dict[str, str]],
    progress: Progress | None,
) -> None:
    """Add the readings; a set-up that a row names is taped under that name."""
    setups: dict[str, str] = {}
    for count, row in enumerate(rows):
        if progress is not None:
            progress("Entering the invented readings", count, len(rows))
        body_id, name = ids[row["body"]], row.get("setup", "")
        if name and name not in setups:
            setups[name] = tape_setup(
                record, prep_id, body_id=body_id, distance_text=row["distance"], name=name, who=WHO
            ).id
        add_reading(
            record,
            prep_id,
            body_id=body_id,
            lens_id=ids[row["lens"]],
            setup_id=setups.get(name),
            distance_text=row["distance"],
            reading_text=row["reading"],
            operator=row["operator"],
        )
