"""The sweep's document: its schema, its reading, and its refusals."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from invented_sweeps import MEASURED

from shimwise.errors import SheetError
from shimwise.sheets.json.sweep_json import SweepFacts, read_sweep, sweep_to_json, validate_sweep


def test_what_was_not_said_is_absent_and_infinity_is_null() -> None:
    document = sweep_to_json(MEASURED, SweepFacts(body="A-07", distance_mm=math.inf))
    validate_sweep(document)
    assert document["body"] == "A-07"
    assert document["distance_mm"] is None
    assert not {"lens", "setup", "focal_length_mm"} & document.keys()
    json.dumps(document, allow_nan=False)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"sd_um": -1.0}, r"at \$\.sd_um"),
        ({"schema": "shimwise.verdict/1"}, r"at \$\.schema"),
        ({"colour": "red"}, "colour"),
        ({"f_number": 0}, r"at \$\.f_number"),
        ({"stars": [{"id": "S0"}]}, r"at \$\.stars\[0\]"),
    ],
)
def test_what_breaks_the_schema_is_refused_with_its_place(change: dict[str, Any], told: str) -> None:
    with pytest.raises(SheetError, match=told):
        validate_sweep(MEASURED | change)


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[" * 100_000, b"3"])
def test_a_file_that_is_no_sweep_is_refused_by_name(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(content)
    with pytest.raises(SheetError, match=r"x\.json is no sweep"):
        read_sweep(path)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="cannot be read"):
        read_sweep(tmp_path / "none.json")
