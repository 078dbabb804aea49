"""An invented house behind the interface, run in this process."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from fastapi import FastAPI

from record_template import copied_record
from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.web.app import create_app

with warnings.catch_warnings():  # it would rather have another library of the same make
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

Json: TypeAlias = Any
SCREW = {
    "kind": "screw",
    "um_per_turn": 400.0,
    "um_per_turn_sd": 4.0,
    "away": "clockwise",
    "backlash_um": 1.0,
}
FREE_APPS: dict[bool, list[FastAPI]] = {False: [], True: []}
"""Apps that are not in use, without and with pages."""
WHO = "N. Tester"
LEAD = "B. Lead"
LENSES = (("H25", 25.0), ("H35", 35.0), ("H50", 50.0))


def furnish(record: Record) -> dict[str, str]:
    """Put two bodies, three lenses and their set into a record through the interface; return ids by name."""
    ids = {}
    with app_over(record) as app, TestClient(app) as client:
        door = Door(client=client, record=record)
        for name in ("A-01", "A-02"):
            ids[name] = door.post("/bodies", 201, name=name, mount="PL", who=WHO)["id"]
        for name, focal_mm in LENSES:
            facts = {"name": name, "mount": "PL", "focal_lengths_mm": [focal_mm], "fnumber": 2.0}
            ids[name] = door.post("/lenses", 201, **facts, who=WHO)["id"]
        lens_ids = [ids[name] for name, _ in LENSES]
        ids["Set H"] = door.post("/sets", 201, name="Set H", lens_ids=lens_ids, who=WHO)["id"]
    return ids


@dataclass(slots=True)
class Door:
    """A client of the interface, and the ids of the invented house by name."""

    client: TestClient
    record: Record
    ids: dict[str, str] = field(default_factory=dict)

    def get(self, address: str, status: int = 200, **query: object) -> Json:
        answer = self.client.get(f"/api/v1{address}", params=query)
        assert answer.status_code == status, answer.text
        return answer.json()

    def post(self, address: str, status: int, **body: object) -> Json:
        answer = self.client.post(f"/api/v1{address}", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def put(self, address: str, status: int, **body: object) -> Json:
        answer = self.client.put(f"/api/v1{address}", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def start(self, **more: object) -> Json:
        body = {"body_ids": [self.ids["A-01"]], "set_id": self.ids["Set H"], "who": WHO}
        return self.post("/preps", 201, **{**body, **more})

    def read(self, prep_id: str, reading_text: str, status: int = 201, **more: object) -> Json:
        body = {
            "body_id": self.ids["A-01"],
            "lens_id": self.ids["H50"],
            "distance_text": "3'",
            "reading_text": reading_text,
            "operator": WHO,
        }
        return self.post(f"/preps/{prep_id}/readings", status, **{**body, **more})


@contextmanager
def app_over(record: Record, *, has_pages: bool = False) -> Iterator[FastAPI]:
    """Lend an app over a record, without a judge of its own.

    Putting an app together takes 0.1 s, so that apps given back are lent again, over the next record.
    """
    free = FREE_APPS[has_pages]
    app = free.pop() if free else create_app(record, has_pages=has_pages)
    app.state.record, app.state.sweeps = record, SweepJobs(record)
    try:
        yield app
    finally:
        free.append(app)


def short_prep(door: Door, *, value_um: float = -20.0) -> str:
    """Start a prep whose body has a screw, and a good gauge that finds it short (or true); return its id."""
    body_id = door.ids["A-01"]
    door.put(f"/bodies/{body_id}", 200, name="A-01", mount="PL", mechanism=SCREW, who=WHO)
    prep_id = str(door.start(set_id=None, lens_ids=[door.ids["H35"], door.ids["H50"]])["id"])
    gauge = {"unit_kind": "body", "unit_id": body_id, "value_um": value_um, "sd_um": 1.5, "who": WHO}
    door.post(f"/preps/{prep_id}/gauges", 201, **gauge)
    for lens, text in (("H35", 'short by 5/16"'), ("H50", 'short by 3/16"')):
        door.read(prep_id, text if value_um < -5 else "on", lens_id=door.ids[lens])
    return prep_id


def furnish_judged(record: Record, value_um: float) -> dict[str, str]:
    """Furnish a house with a short prep that is judged, its id as ``prep``; return ids by name."""
    ids = dict(furnish(record))
    with app_over(record) as app, TestClient(app) as client:
        door = Door(client=client, record=record, ids=ids)
        ids["prep"] = short_prep(door, value_um=value_um)
        door.post(f"/preps/{ids['prep']}/verdict/refresh", 200, who=WHO)
    return ids


@contextmanager
def opened_door(
    folder: Path, *, has_pages: bool = False, is_furnished: bool = True, short_um: float | None = None
) -> Iterator[Door]:
    """Open the interface over a new furnished house, or else over what is in the folder, if anything is.

    ``short_um``: the house has a judged prep, whose gauge finds the body so far off. [um]
    """
    ids: dict[str, str] = {}
    if short_um is not None:
        ids = copied_record(folder, furnish_judged, short_um)
    elif is_furnished:
        ids = copied_record(folder, furnish)
    with (
        Record.open(folder) as record,
        app_over(record, has_pages=has_pages) as app,
        TestClient(app) as client,
    ):
        yield Door(client=client, record=record, ids=dict(ids))


def begin(door: Door, prep_id: str, status: int = 201, **more: object) -> Json:
    body = {"unit_kind": "body", "unit_id": door.ids["A-01"], "who": WHO, **more}
    return door.post(f"/preps/{prep_id}/adjustments", status, **body)


def answer(door: Door, view: Json, step: str, said: str, status: int = 200) -> Json:
    at = f"/preps/{view['prep_id']}/adjustments/{view['id']}/answers"
    return door.post(at, status, step=step, answer=said, who=WHO)


def sign(door: Door, prep_id: str, status: int = 201, **more: object) -> Json:
    return door.post(f"/preps/{prep_id}/sign-offs", status, **{"who": WHO, **more})


def excepted(door: Door, prep_id: str) -> list[dict[str, str]]:
    door.post(f"/preps/{prep_id}/verdict/refresh", 200, who=WHO)
    found = door.get(f"/preps/{prep_id}/undecided")["undecided"]
    return [{"unit_id": one["unit_id"], "reason": "a spare only", "name": LEAD} for one in found]


def adjusted(door: Door, prep_id: str) -> Json:
    """Move the body's screw as advised, answer every step, and finish."""
    view = begin(door, prep_id)
    steps = {"clean": "done", "lock": "was free", "place": "at the rim", "move": "done"}
    steps |= {"lock after": "left free", "mark": "done", "flag": "done"}
    for step, said in steps.items():
        view = answer(door, view, step, said)
    return door.post(f"/preps/{prep_id}/adjustments/{view['id']}/finish", 200, who=WHO)
