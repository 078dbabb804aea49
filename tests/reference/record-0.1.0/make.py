"""Write the record, the prep, the sheet and the backup beside this file, as Shimwise 0.1.0 writes them.

Run it with version 0.1.0 only (``python make.py FOLDER``; the data is kept, so nobody needs to). Invented
data: no such bodies, lenses or people exist. Everything goes through the use cases of 0.1.0, so that the rows
are what a house of that version holds.
"""

import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from shimwise import __version__
from shimwise.bench.adjust import guide
from shimwise.bench.exchange import record_admin
from shimwise.bench.house import settings, units
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts
from shimwise.bench.prep import evidence, preps
from shimwise.bench.prep.evidence import SweepFacts
from shimwise.bench.prep.readings import add_reading, withdraw_reading
from shimwise.bench.sign import papers, signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.record import Record

WHO, OTHER = "N. Tester", "Ö. Zweite"
SCREW = MechanismFacts(kind="screw", um_per_turn=400.0, um_per_turn_sd=4.0, away="clockwise", backlash_um=1.0)
SWEEP = {
    # What ``shimwise sweep`` of 0.1.0 said of tests/reference/sweep-1, less its stars but two.
    "schema": "shimwise.sweep/1",
    "best_um": 12.0071002,
    "sd_um": 0.006215,
    "low_um": 11.9902951,
    "high_um": 12.0239053,
    "band_cy_mm": [20.0, 62.0],
    "w040_waves": 0.0001399,
    "stars": [
        {
            "id": "S0",
            "x_px": 398.6567958,
            "y_px": 226.2086525,
            "best_um": 11.9785843,
            "sd_um": 0.0060483,
            "sagittal_um": None,
            "tangential_um": None,
        },
        {
            "id": "S1",
            "x_px": 95.6101876,
            "y_px": 71.3291472,
            "best_um": 10.6511927,
            "sd_um": 0.0104452,
            "sagittal_um": 10.6112554,
            "tangential_um": 10.670436,
        },
    ],
    "tilt": {
        "x_um": 7.9990461,
        "x_sd_um": 0.0215571,
        "y_um": -5.0313778,
        "y_sd_um": 0.0167825,
        "chart_yaw_deg": 0.0019041,
        "chart_pitch_deg": 0.0009686,
    },
    "magnification": 0.02,
    "landing_um": -12.0071002,
    "flags": [],
    "warnings": [],
    "swept": "sensor",
    "best_at_mm": None,
    "is_relative": False,
    "focal_length_mm": 50.0,
    "f_number": 2.8,
}


class Clock:
    """A clock that goes on by a second at each look."""

    def __init__(self) -> None:
        self.now = datetime(2026, 2, 3, 9, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


class House:
    """The record and the ids of its units by name."""

    def __init__(self, record: Record) -> None:
        self.record, self.ids = record, {}
        bodies = (BodyFacts(name="A-01", serial="0001", mount="PL", mechanism=SCREW), BodyFacts(name="A-02"))
        for body in bodies:
            self.ids[body.name] = units.add_body(record, facts=body, who=WHO).id
        for lens in (
            LensFacts(name="H25", mount="PL", focal_lengths_mm=(25.0,), fnumber=2.0),
            LensFacts(name="H35 α", mount="PL", focal_lengths_mm=(35.0,), fnumber=2.0, near_mm=304.8),
            LensFacts(
                name="H50",
                mount="PL",
                focal_lengths_mm=(50.0,),
                fnumber=2.0,
                focus_design="internal focus",
                by_distance=((914.4, 49.0, 12.5), (float("inf"), 50.0, 10.0)),
                history_mean_um=0.0,
                history_sd_um=4.0,
            ),
            LensFacts(name="Z", mount="PL", focal_lengths_mm=(24.0, 50.0, 70.0), fnumber=2.8, scale_unit="m"),
        ):
            self.ids[lens.name] = units.add_lens(record, facts=lens, who=WHO).id
        lenses = tuple(self.ids[name] for name in ("H25", "H35 α", "H50"))
        self.ids["H"] = units.add_set(record, facts=SetFacts(name="H", lens_ids=lenses), who=WHO).id

    def read(self, prep_id: str, lens: str, text: str, *, at: str, body: str = "A-01", by: str = WHO) -> str:
        return add_reading(
            self.record,
            prep_id,
            body_id=self.ids[body],
            lens_id=self.ids[lens],
            distance_text=at,
            reading_text=text,
            operator=by,
            focal_mm=50.0 if lens == "Z" else None,
        ).view.id

    def gauge(self, prep_id: str, kind: str, name: str, value_um: float) -> str:
        return evidence.add_gauge(
            self.record,
            prep_id,
            unit_kind=kind,
            unit_id=self.ids[name],
            value_um=value_um,
            sd_um=1.5,
            who=WHO,
        ).id


def signed_prep(house: House) -> str:
    """A prep whose body was found short, turned, checked again and signed."""
    record, ids = house.record, house.ids
    prep_id = preps.start_prep(
        record, body_ids=[ids["A-01"]], set_id=ids["H"], title="Invented job 1", note="ünïcode", who=WHO
    ).id
    house.gauge(prep_id, "body", "A-01", -20.0)
    wrong = house.gauge(prep_id, "lens", "H25", 90.0)
    evidence.withdraw_gauge(record, prep_id, wrong, reason="collimator was cold", who=OTHER)
    for lens, text in (("H25", 'short by 5/8"'), ("H35 α", 'short by 5/16"'), ("H50", 'short by 3/16"')):
        house.read(prep_id, lens, text, at="3'")
    bumped = house.read(prep_id, "H50", "2' 8\"", at="3'", by=OTHER)
    withdraw_reading(record, bumped, reason="bumped the stand", who=OTHER)
    house.read(prep_id, "H50", "INF", at="INF", by=OTHER)
    evidence.keep_sweep(
        record,
        prep_id,
        facts=SweepFacts(body_id=ids["A-01"], lens_id=ids["H50"], distance_text="3'"),
        document=SWEEP,
        frames_place="frames/invented",
        who=WHO,
    )
    refresh_verdict(record, prep_id)
    view = guide.begin_adjustment(record, prep_id, unit_kind="body", unit_id=ids["A-01"], who=WHO)
    for step, said in (
        ("clean", "done"),
        ("lock", "was free"),
        ("place", "mark at the rim"),
        ("move", "done"),
        ("lock after", "left free"),
        ("mark", "done"),
        ("flag", "done"),
    ):
        guide.answer_step(record, prep_id, view.id, step=step, answer=said, who=WHO)
    guide.finish_adjustment(record, prep_id, view.id, who=WHO)
    house.gauge(prep_id, "body", "A-01", 0.5)
    for lens in ("H25", "H35 α", "H50"):
        house.read(prep_id, lens, "on", at="3'")
    refresh_verdict(record, prep_id)
    exceptions = {one.unit_id: Exempt("a test only", "B. Lead") for one in signing.undecided(record, prep_id)}
    signing.sign(record, prep_id, who=WHO, exceptions=exceptions)
    return prep_id


def open_prep(house: House) -> str:
    """A prep under way, on the other body, with a zoom."""
    ids = house.ids
    prep_id = preps.start_prep(
        house.record,
        body_ids=[ids["A-02"]],
        lens_ids=[ids["Z"], ids["H50"]],
        title="Invented job 2",
        who=OTHER,
    ).id
    for lens, text in (("Z", "3.02 m"), ("H50", "2.99 m")):
        house.read(prep_id, lens, text, at="3 m", body="A-02", by=OTHER)
    refresh_verdict(house.record, prep_id)
    return prep_id


def main(folder: Path) -> None:
    """Write the files."""
    if __version__ != "0.1.0":
        raise SystemExit(f"this is {__version__}; the data has to be made with 0.1.0")
    with Record.open(folder / "shimwise.sqlite", clock=Clock()) as record:
        house = House(record)
        settings.change_settings(
            record, settings=replace(settings.settings(record), tolerance_um=12.0), who=WHO
        )
        signed_id, open_id = signed_prep(house), open_prep(house)
        document = record_admin.export_prep(record, signed_id)
        (folder / "prep.json").write_text(document, encoding="utf-8")
        (folder / "readings.csv").write_bytes(record_admin.export_readings_csv(record, signed_id).encode())
        sheet = papers.make_sheets([json.loads(document)])
        (folder / "sheet.pdf").write_bytes(sheet.pdf)
        record_admin.backup(record, folder / "backup.jsonl.gz")
        facts = {"signed": signed_id, "open": open_id, "digest": sheet.digests[0], "program": __version__}
        (folder / "facts.json").write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
