"""Full disks, locks, servers gone, processes killed: a clear word each time, and nothing lost."""

import errno
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import psycopg
import pytest
from invented_rows import a_house, a_job, a_prep, a_reading, a_setup
from sqlalchemy import event

from child_process import ends_with_the_tests
from postgres import Server
from shimwise.errors import RecordError
from shimwise.record import error_translation
from shimwise.record.backup.backup import backup
from shimwise.record.backup.checking import check
from shimwise.record.errors import RecordAway, RecordBusy, RecordFull, StoreError
from shimwise.record.journal import Change
from shimwise.record.queries import evidence, preps
from shimwise.record.record import WRITERS_LOCK, Record

pytestmark = pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")


def _kept(record: Record) -> set[str]:
    with record.reading() as connection:
        return {row.id for row in evidence.readings(connection, "prep-1")}


@pytest.mark.slow
def test_a_full_disk_is_told_and_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    with Record.open(tmp_path) as record:
        a_job(record, readings=0)
        record.engine.dispose()

        def limit(connection: object, _: object) -> None:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]  # type: ignore[attr-defined]
            connection.execute(f"PRAGMA max_page_count={pages + 30}")  # type: ignore[attr-defined]

        event.listen(record.engine, "connect", limit)
        saved: list[str] = []
        refused: list[RecordError] = []

        def write(thread: int) -> None:
            for number in range(60):
                row = a_reading(number, id=f"{thread}-{number}", note="x" * 900)
                try:
                    with record.writing(who="Bo") as change:
                        evidence.add_reading(change, row)
                except RecordError as error:
                    refused.append(error)
                    return
                saved.append(row.id)

        threads = [threading.Thread(target=write, args=(thread,)) for thread in range(6)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert saved
        assert {type(error) for error in refused} == {RecordFull}
        assert "no more room on its disk" in str(refused[0])
        assert _kept(record) == set(saved)
        event.remove(record.engine, "connect", limit)
        record.engine.dispose()  # someone made room
        with record.writing(who="Bo") as change:
            evidence.add_reading(change, a_reading(99))
        assert check(record) == ()


def test_a_backup_onto_a_full_disk_is_told_and_leaves_nothing(record: Record, tmp_path: Path) -> None:
    a_job(record)
    ending = ".sqlite" if record.location.path else ".jsonl.gz"
    target = tmp_path / "full"
    target.mkdir()

    def with_little_room() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))
        backup(record, target / f"copy{ending}")

    told = _in_a_child(with_little_room, record)
    assert told.startswith("RecordFull: ")
    assert "no more room" in told
    assert list(target.iterdir()) == []


@pytest.mark.parametrize("what", ["folder", "file", "new"])
def test_a_record_that_may_not_be_written_is_told(what: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        path = folder / "shimwise.sqlite"
        if what != "new":
            with Record.open(folder) as record:
                a_job(record)
            path.chmod(0o444)
        folder.chmod(0o777 if what == "file" else 0o555)

        def write() -> None:
            if os.geteuid() == 0:  # root may write anything
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            with Record.open(folder) as record, record.writing(who="Bo") as change:
                evidence.add_reading(change, a_reading(9))

        told = _in_a_child(write)
        assert told.startswith("RecordReadOnly: "), told
        assert "may be read but not written" in told
        folder.chmod(0o755)
        if what != "new":
            path.chmod(0o644)
            with Record.open(folder) as record:
                assert len(_kept(record)) == 3


@contextmanager
def _held_by_another_process(path: Path) -> Iterator[None]:
    script = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('BEGIN IMMEDIATE'); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        ends_with_the_tests(sys.executable, "-c", script, path), stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == b"held"
        try:
            yield
        finally:
            other.kill()


def test_a_record_locked_by_another_process_is_told_after_a_while(tmp_path: Path) -> None:
    with Record.open(tmp_path, waited_s=0.3) as record:
        a_job(record)
        with _held_by_another_process(tmp_path / "shimwise.sqlite"):
            began = time.monotonic()
            with (
                pytest.raises(RecordBusy, match=r"held by another program for longer than 0\.3 s"),
                record.writing(who="Bo") as change,
            ):
                evidence.add_reading(change, a_reading(9))
            assert 0.25 < time.monotonic() - began < 5
            assert len(_kept(record)) == 3  # looking goes on
        with record.writing(who="Bo") as change:
            evidence.add_reading(change, a_reading(9))
        assert len(_kept(record)) == 4


def test_a_server_on_which_another_holds_the_writers_lock_is_told(postgres_address: str) -> None:
    with Record.open(postgres_address, waited_s=0.3) as record:
        a_job(record)
        with closing(psycopg.connect(postgres_address)) as other:
            other.execute(f"SELECT pg_advisory_xact_lock({WRITERS_LOCK})".encode())
            with pytest.raises(RecordBusy, match="held by another program"), record.writing(who="Bo"):
                pass
        with record.writing(who="Bo") as change:
            evidence.add_reading(change, a_reading(9))
        assert len(_kept(record)) == 4


def test_a_server_restarted_in_the_middle_of_a_change_is_told_and_nothing_is_lost(
    postgres: Server, postgres_address: str
) -> None:
    with Record.open(postgres_address) as record:
        a_job(record)
        with pytest.raises(RecordAway, match="cannot be reached"), record.writing(who="Bo") as change:
            _add_around_a_restart(change, postgres)
        assert len(_kept(record)) == 3  # the same object goes on, without the half change
        postgres.stop()
        postgres.start()
        with record.writing(who="Bo") as change:  # a connection cut while idle is found before it is used
            evidence.add_reading(change, a_reading(8))
        assert len(_kept(record)) == 4
        assert check(record) == ()


def _add_around_a_restart(change: Change, postgres: Server) -> None:
    evidence.add_reading(change, a_reading(8))
    postgres.stop()
    try:
        evidence.add_reading(change, a_reading(9))
    finally:
        postgres.start()


def test_a_server_that_is_not_there_is_told_without_its_password(tmp_path: Path) -> None:
    with pytest.raises(RecordAway, match="cannot be reached") as caught:
        Record.open(f"postgresql://ann:secret@/house?host={tmp_path}")
    assert "secret" not in str(caught.value)


def test_where_the_record_lies_is_told_on_the_machine_itself_alone(tmp_path: Path) -> None:
    (tmp_path / "house.sqlite").write_bytes(b"no record" * 500)
    (tmp_path / "file").touch()
    for where in (tmp_path / "house.sqlite", tmp_path / "file" / "record"):
        with pytest.raises(StoreError) as caught:
            Record.open(where)
        assert str(tmp_path) not in str(caught.value)  # as pages on other devices show it
        assert str(where) in caught.value.in_full
    told = error_translation.translate(
        OSError(errno.ENOSPC, "No space left", str(tmp_path)), "r", waited_s=1.0
    )
    assert str(tmp_path) not in str(told)


@pytest.mark.parametrize("address", ["mysql://host/house", "https://host/house", "postgresql:/x//://"])
def test_an_address_of_no_known_kind_is_told(address: str) -> None:
    with pytest.raises(RecordAway, match="postgresql://user@host/database"):
        Record.open(address)


def test_an_error_of_the_caller_is_not_taken_for_one_of_the_record(record: Record) -> None:
    with pytest.raises(BrokenPipeError), record.reading():
        raise BrokenPipeError
    with pytest.raises(FileNotFoundError), record.writing(who="Ann"):
        raise FileNotFoundError


def test_a_change_within_a_change_is_refused_rather_than_waited_for(record: Record) -> None:
    with (
        pytest.raises(RuntimeError, match="within a change"),
        record.writing(who="Ann"),
        record.writing(who="Bo"),
    ):
        pass
    a_job(record)
    assert len(_kept(record)) == 3


@pytest.mark.slow
def test_twenty_at_once_are_each_kept_once_though_one_in_ten_gives_up(record: Record) -> None:
    a_job(record, readings=0)

    def write(thread: int) -> None:
        for number in range(10):
            with suppress(ZeroDivisionError), record.writing(who=f"Person {thread}") as change:
                evidence.add_reading(change, a_reading(number, id=f"{thread}-{number}"))
                _ = 1 / (number - 5)  # one in ten gives up after it wrote

    threads = [threading.Thread(target=write, args=(thread,)) for thread in range(20)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    expected = {f"{thread}-{number}" for thread in range(20) for number in range(10) if number != 5}
    assert _kept(record) == expected
    assert check(record) == ()
    with record.reading() as connection:
        rows = evidence.readings(connection, "prep-1")
        assert [row.seq for row in rows] == list(range(1, 181))
        assert preps.prep(connection, "prep-1").revision == 181


WRITER = """
import sys, threading
sys.path.insert(0, sys.argv[2])
from invented_rows import a_reading
from shimwise.record.record import Record
from shimwise.record.queries import evidence
record = Record.open(sys.argv[1])
lock = threading.Lock()
def write(thread):
    number = 0
    while True:
        number += 1
        row = a_reading(number, id=f"{thread}-{number}")
        with record.writing(who="Bo") as change:
            evidence.add_reading(change, row)
        with lock:
            print(row.id, flush=True)
for thread in range(20):
    threading.Thread(target=write, args=(thread,), daemon=True).start()
threading.Event().wait()
"""


@pytest.mark.slow
@pytest.mark.parametrize("after_s", [0.05, 0.21, 0.34])
def test_what_was_acknowledged_is_there_after_a_kill(tmp_path: Path, after_s: float) -> None:
    with Record.open(tmp_path) as record, record.writing(who="Ann") as change:
        a_house(change)
        preps.add_prep(change, a_prep())
        evidence.add_setup(change, a_setup())
    here = str(Path(__file__).parent)
    with subprocess.Popen(
        ends_with_the_tests(sys.executable, "-c", WRITER, tmp_path, here), stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdout is not None
        acknowledged = [writer.stdout.readline()]
        time.sleep(after_s)
        writer.kill()
        acknowledged += writer.stdout.readlines()
    whole = {line.strip() for line in acknowledged if line.endswith("\n")}
    with Record.open(tmp_path) as record:
        assert whole
        assert whole <= _kept(record)
        assert check(record) == ()


def _in_a_child(act: Callable[[], None], record: Record | None = None) -> str:
    """Run in a process of its own, and give the error as text; its limits and its user end with it."""
    if record is not None:
        record.close()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            act()
            told = "nothing"
        except BaseException as error:
            told = f"{type(error).__name__}: {error}"
        os.write(writer, told.encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as pipe:
        told = pipe.read().decode()
    os.waitpid(child, 0)
    return told
