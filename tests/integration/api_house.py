"""An invented house behind the interface, run in this process."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.web.app import ServeSettings, create_app

with warnings.catch_warnings():  # it would rather have another library of the same make
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

Json: TypeAlias = Any
WHO = "N. Tester"
LENSES = (("H25", 25.0), ("H35", 35.0), ("H50", 50.0))


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

    def furnish(self) -> None:
        """Put two bodies, three lenses and their set into the house."""
        for name in ("A-01", "A-02"):
            self.ids[name] = self.post("/bodies", 201, name=name, mount="PL", who=WHO)["id"]
        for name, focal_mm in LENSES:
            facts = {"name": name, "mount": "PL", "focal_lengths_mm": [focal_mm], "fnumber": 2.0}
            self.ids[name] = self.post("/lenses", 201, **facts, who=WHO)["id"]
        lens_ids = [self.ids[name] for name, _ in LENSES]
        self.ids["Set H"] = self.post("/sets", 201, name="Set H", lens_ids=lens_ids, who=WHO)["id"]

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
def opened_door(folder: Path, *, has_judge: bool = False) -> Iterator[Door]:
    """Open a record in a folder and the interface over it."""
    with Record.open(folder) as record:
        judge = JudgeService(record) if has_judge else None
        app = create_app(record, settings=ServeSettings(has_pages=False), judge=judge)
        with TestClient(app) as client:
            yield Door(client=client, record=record)
