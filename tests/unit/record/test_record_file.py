"""The file of a record: private, and nothing acknowledged that is gone with it."""

import shutil
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from shimwise.record.backup.backup import backup, restore
from shimwise.record.errors import RecordAway, RecordBusy, RecordDamaged
from shimwise.record.record import Record


def deleted(path: Path) -> None:
    shutil.rmtree(path.parent)


def replaced(path: Path) -> None:
    shutil.copy(path, path.with_suffix(".new"))
    path.with_suffix(".new").replace(path)


def emptied(path: Path) -> None:
    path.write_bytes(b"")


WAYS = {
    deleted: (RecordAway, "deleted or moved"),
    replaced: (RecordBusy, "replaced"),
    emptied: (RecordDamaged, "emptied"),
}


@pytest.mark.slow
@pytest.mark.parametrize("spoil", WAYS)
@pytest.mark.parametrize("is_within", [False, True], ids=["before", "while it is written"])
def test_a_change_is_not_acknowledged(tmp_path: Path, spoil: Callable[[Path], None], is_within: bool) -> None:
    kind, words = WAYS[spoil]
    record = Record.open(tmp_path / "house")
    path = record.location.path
    assert path is not None
    if not is_within:
        spoil(path)

    def write() -> None:
        with record.writing(who="N. Tester") as change:
            change.note("a reading")
            if is_within:
                spoil(path)

    with pytest.raises(kind, match=words):
        write()
    with pytest.raises(kind, match=words), record.reading():
        pass
    record.close()


@pytest.mark.slow
@pytest.mark.parametrize("name", ["copy.sqlite", "copy.jsonl.gz"])
def test_only_this_user_can_read_a_backup_and_what_is_restored_of_it(tmp_path: Path, name: str) -> None:
    with Record.open(tmp_path / "house") as record:
        made = backup(record, tmp_path / name)
    restored = [restore(made.path, tmp_path / "again") for _ in range(2)]
    paths = [made.path, restored[1].kept, *(tmp_path / "again").iterdir()]
    assert {stat.S_IMODE(path.stat().st_mode) for path in paths if path} == {0o600}
    assert stat.S_IMODE((tmp_path / "again").stat().st_mode) == 0o700


def test_only_this_user_can_read_what_is_made(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house") as record, record.writing(who="N. Tester") as change:
        change.note("a reading")
        modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (tmp_path / "house").iterdir()}
    assert stat.S_IMODE((tmp_path / "house").stat().st_mode) == 0o700
    assert len(modes) > 1  # the write-ahead log beside it too
    assert set(modes.values()) == {0o600}
