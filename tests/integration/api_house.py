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
from shimwise.web.app import ServeSettings, create_app

with warnings.catch_warnings():  # it would rather have another library of the same make
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

Json: TypeAlias = Any
FREE_APPS: dict[bool, list[FastAPI]] = {False: [], True: []}
"""Apps that are not in use, without and with pages."""
WHO = "N. Tester"
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
    app = free.pop() if free else create_app(record, settings=ServeSettings(has_pages=has_pages))
    app.state.record, app.state.sweeps = record, SweepJobs(record)
    try:
        yield app
    finally:
        free.append(app)


@contextmanager
def opened_door(folder: Path, *, has_pages: bool = False, is_furnished: bool = True) -> Iterator[Door]:
    """Open the interface over a new furnished house, or else over what is in the folder, if anything is."""
    ids = copied_record(folder, furnish) if is_furnished else {}
    with (
        Record.open(folder) as record,
        app_over(record, has_pages=has_pages) as app,
        TestClient(app) as client,
    ):
        yield Door(client=client, record=record, ids=dict(ids))
