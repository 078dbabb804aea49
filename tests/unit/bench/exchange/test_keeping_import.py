"""A prep from elsewhere that could never be shown is not taken in."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from invented_house import WHO, House

from shimwise.bench.exchange import record_admin
from shimwise.bench.prep.preps import list_preps, open_prep
from shimwise.errors import RecordError
from shimwise.record.record import Record


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A prep with two readings, as it leaves its house."""
    with Record.open(tmp_path_factory.mktemp("home")) as home:
        house = House.in_record(home)
        prep = house.start()
        for reading in ("on", 'short by 1/4"'):
            house.read(prep.id, reading)
        return record_admin.export_prep(home, prep.id)


def _verdict(document: dict[str, Any], said: object) -> None:
    document["verdicts"].append(
        {
            "id": "a" * 32,
            "prep_id": document["prep"]["id"],
            "revision": 1,
            "given_at": "2026-01-01T00:00:00+00:00",
            "program_version": "1",
            "document": said,
            "headline": "invented",
        }
    )


@pytest.mark.parametrize(
    "spoil",
    [
        lambda document: _verdict(document, {"schema": "another"}),
        lambda document: document["bodies"][0].update(mechanism=5),
        lambda document: document["bodies"][0].update(mechanism={"kind": "spring"}),
        lambda document: document["lenses"][0].update(scale_unit=""),
    ],
    ids=["verdict of another kind", "mechanism a number", "mechanism unknown", "scale without a unit"],
)
def test_what_no_page_can_show_is_refused_and_leaves_nothing(
    exported: str, tmp_path: Path, spoil: Callable[[dict[str, Any]], None]
) -> None:
    document = json.loads(exported)
    spoil(document)
    with Record.open(tmp_path) as away:
        with pytest.raises(RecordError, match="no prep can show"):
            record_admin.import_prep(away, json.dumps(document), who=WHO)
        assert list_preps(away).preps == ()


@pytest.mark.slow
def test_what_is_whole_is_taken_in_and_shown(exported: str, tmp_path: Path) -> None:
    with Record.open(tmp_path) as away:
        done = record_admin.import_prep(away, exported, who=WHO)
        assert len(open_prep(away, done.prep_id).readings) == 2
