import csv
import dataclasses
from pathlib import Path

import pytest

from shimwise.optics.mounts import mounts

REFERENCE = Path(__file__).parents[2] / "reference"


def test_flange_depths_agree_with_the_table_of_mounts_by_their_trade_names() -> None:
    with (REFERENCE / "mounts.csv").open(encoding="utf-8", newline="") as file:
        expected = {row["mount"]: float(row["flange_mm"]) for row in csv.DictReader(file)}
    # Numbers without a source in either table are from memory, and both say so: CS, L and F among them.
    known = {mount.mount: mount.flange_mm for mount in mounts()}
    assert known == {name: expected[name] for name in known}
    assert len(known) == len(mounts()) >= 20


def test_every_mount_tells_where_its_value_is_from() -> None:
    kinds = ("standard", "common practice", "from memory")
    assert all(mount.source.startswith(kinds) for mount in mounts())


def test_a_mount_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        mounts()[0].flange_mm = 17.0  # type: ignore[misc]
