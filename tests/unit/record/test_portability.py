"""The record on systems that lack a call or answer it otherwise: folders, open files, links."""

import errno
import os
import sqlite3
from pathlib import Path

import pytest
from invented_rows import a_job

from shimwise.record.backup.backup import backup, restore
from shimwise.record.backup.checking import check
from shimwise.record.file_copy import make_durable
from shimwise.record.record import Record


def test_a_folder_that_cannot_be_opened_stops_no_backup(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Windows: os.open of a folder is refused.
    opened = os.open

    def refuse_folders(path: str | Path, flags: int, *more: int) -> int:
        if os.path.isdir(path):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return opened(path, flags, *more)

    monkeypatch.setattr(os, "open", refuse_folders)
    make_durable(tmp_path)
    with Record.open(tmp_path / "house") as record:
        a_job(record)
        made = backup(record, tmp_path / "copy.sqlite")
    assert restore(made.path, tmp_path / "house").after.readings == 3


def test_a_file_is_made_durable_through_a_handle_that_may_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Windows: a handle for reading only is not synced.
    path = tmp_path / "file"
    path.write_bytes(b"x")
    synced, sync = [], os.fsync

    def only_writable(handle: int) -> None:
        os.write(handle, b"")  # fails on a handle for reading only
        synced.append(handle)
        sync(handle)

    monkeypatch.setattr(os, "fsync", only_writable)
    make_durable(path)
    assert len(synced) == 1


def _is_open(path: Path) -> bool:
    """Return whether this process has a file open, by Linux's list of its handles."""
    handles = Path("/proc/self/fd")
    return any(path.samefile(one) for one in handles.iterdir() if one.exists())


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="sees open files by Linux's list of them")
def test_a_record_is_restored_where_an_open_file_cannot_be_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Windows: replacing a file that anybody has open is refused.
    with Record.open(tmp_path / "house") as record:
        a_job(record)
        made = backup(record, tmp_path / "copy.sqlite")
    replaced, refused = Path.replace, []

    def refuse_open(source: Path, target: Path) -> Path:
        if target.exists() and _is_open(target):
            refused.append(target)
            raise PermissionError(errno.EACCES, "Access is denied", str(target))
        return replaced(source, target)

    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(Path, "replace", refuse_open)
    monkeypatch.setattr(os, "link", no_links)
    done = restore(made.path, tmp_path / "house")
    assert refused == [tmp_path / "house" / "shimwise.sqlite"]  # and then closed, and replaced
    assert done.kept is not None
    for path in (tmp_path / "house", done.kept):
        with Record.open(path) as record:
            assert check(record) == ()


def test_another_language_of_the_database_is_understood_by_its_codes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from shimwise.record.backup import backup as module
    from shimwise.record.errors import RecordBusy

    class Busy:
        def execute(self, _statement: str) -> None:
            error = sqlite3.OperationalError("la base de données est verrouillée")
            error.sqlite_errorcode = sqlite3.SQLITE_BUSY | 2 << 8  # an extended code
            raise error

        def close(self) -> None:
            pass

    with Record.open(tmp_path / "house") as record:
        a_job(record)
        made = backup(record, tmp_path / "copy.sqlite")
    path = tmp_path / "house" / "shimwise.sqlite"
    connect = sqlite3.connect
    monkeypatch.setattr(
        module.sqlite3,
        "connect",
        lambda name, **more: Busy() if Path(name) == path else connect(name, **more),
    )
    with pytest.raises(RecordBusy, match="in use by another program"):
        module._put_in_place(made.path, path, "now")
