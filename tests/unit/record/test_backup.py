"""A backup is the record of one moment; restoring looks first, and keeps what it replaces."""

import errno
import gzip
import os
import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import Queue

import pytest
from invented_rows import NOON, a_job, a_reading, a_whole_job
from sqlalchemy import text

from shimwise.errors import RecordError
from shimwise.record import journal
from shimwise.record.backup.backup import backup, restore
from shimwise.record.backup.checking import check
from shimwise.record.errors import RecordAway, RecordBusy, RecordDamaged
from shimwise.record.exchange.prep_json import export_prep
from shimwise.record.queries import evidence, preps, tokens, verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import ReadingRow, TokenRow


def _whole(record: Record) -> list[object]:
    with record.reading() as connection:
        lines = [(line.at, line.who, line.what, line.detail) for line in journal.journal_after(connection, 0)]
        return [export_prep(connection, line.id) for line in preps.prep_lines(connection)] + [lines]


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".sqlite", ".jsonl.gz"])
def test_what_is_restored_is_what_was_backed_up(
    record: Record, record_address: str, tmp_path: Path, ending: str
) -> None:
    if ending == ".sqlite" and "://" in record_address:
        pytest.skip("a server's record is copied as lines of JSON only")
    a_whole_job(record)
    before = _whole(record)
    made = backup(record, tmp_path / f"copy{ending}")
    assert made.size_bytes == made.path.stat().st_size > 0
    with record.writing(who="Ann") as change:
        evidence.withdraw(change, ReadingRow, "reading-1-1", reason="after the copy")
    after = _whole(record)
    record.close()
    done = restore(made.path, record_address, at=NOON)
    assert (done.after.preps, done.after.readings) == (1, 4)
    with Record.open(record_address) as again:
        assert _whole(again) == before
        assert check(again) == ()
    # What was replaced is whole as well, and is a record or a backup itself.
    assert done.kept is not None
    assert "before-restore-20250301T120000Z" in done.kept.name
    with Record.open(_opened(done.kept, tmp_path)) as kept:
        assert _whole(kept) == after


def _opened(kept: Path, tmp_path: Path) -> Path:
    if kept.suffix == ".sqlite":
        return kept
    restore(kept, tmp_path / "kept")
    return tmp_path / "kept"


def test_a_record_moves_from_one_database_to_the_other(tmp_path: Path, postgres_address: str) -> None:
    with Record.open(tmp_path / "house") as house:
        a_whole_job(house)
        before = _whole(house)
        made = backup(house, tmp_path / "move.jsonl.gz")
    assert restore(made.path, postgres_address).kept is None
    with Record.open(postgres_address) as server:
        assert _whole(server) == before
        back = backup(server, tmp_path / "back.jsonl.gz")
    assert back.path.read_bytes() == made.path.read_bytes()


def test_a_token_that_was_ended_since_the_backup_stays_ended(record_address: str, tmp_path: Path) -> None:
    ending = ".jsonl.gz" if "://" in record_address else ".sqlite"
    with Record.open(record_address) as record:
        with record.writing(who="Ann") as change:
            for name in ("kept", "ended"):
                tokens.add_token(change, a_token(name))
        copy = backup(record, tmp_path / f"copy{ending}").path
        with record.writing(who="Ann") as change:
            tokens.end_token(change, "ended")
            tokens.add_token(change, a_token("newer"))
    assert restore(copy, record_address).tokens_ended == 1
    with Record.open(record_address) as record, record.reading() as connection:
        assert [one.id for one in tokens.tokens(connection, "program")] == ["kept"]
    assert restore(copy, tmp_path / "where nothing was").tokens_ended == 0
    with Record.open(tmp_path / "where nothing was") as record, record.reading() as connection:
        assert len(tokens.tokens(connection, "program")) == 2
    (tmp_path / "broken.sqlite").write_bytes(b"no record")
    if ending == ".sqlite":
        assert restore(copy, tmp_path / "broken.sqlite").tokens_ended == 2


def a_token(name: str) -> TokenRow:
    return TokenRow(
        id=name,
        kind="program",
        name=name,
        digest=f"digest of {name}",
        made_at=NOON,
        expires_at=datetime.now(UTC) + timedelta(days=1),
        how="console",
    )


@pytest.mark.slow
def test_a_backup_taken_while_people_write_is_one_moment(record: Record, tmp_path: Path) -> None:
    a_job(record, readings=0)
    is_over = threading.Event()

    def write() -> None:
        number = 0
        while not is_over.is_set():
            number += 1
            with record.writing(who="Bo") as change:  # two rows that belong together
                evidence.add_reading(change, a_reading(number, note="pair"))
                evidence.add_reading(change, a_reading(-number, note="pair"))

    writer = threading.Thread(target=write)
    writer.start()
    ending = ".sqlite" if record.location.path else ".jsonl.gz"
    try:
        copies = [backup(record, tmp_path / f"copy-{number}{ending}").path for number in range(5)]
    finally:
        is_over.set()
        writer.join()
    counts = []
    for number, copy in enumerate(copies):
        restore(copy, tmp_path / f"restored-{number}")
        with Record.open(tmp_path / f"restored-{number}") as one, one.reading() as connection:
            counts.append(len(evidence.readings(connection, "prep-1")))
            assert check(one) == ()
    assert all(count % 2 == 0 for count in counts)
    assert counts == sorted(counts)


def test_a_backup_never_replaces_a_file(record: Record, tmp_path: Path) -> None:
    target = tmp_path / "there.jsonl.gz"
    target.write_bytes(b"something else")
    with pytest.raises(RecordAway, match="is there already"):
        backup(record, target)
    assert target.read_bytes() == b"something else"


def test_a_backup_in_a_folder_is_named_by_the_time(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house", clock=lambda: NOON) as house:
        assert backup(house, tmp_path).path == tmp_path / "shimwise-20250301T120000Z.sqlite"


def test_a_backup_that_is_stopped_leaves_nothing_behind(record: Record, tmp_path: Path) -> None:
    a_job(record)
    target = tmp_path / "copies"
    target.mkdir()

    def stop(done: int, total: int) -> None:
        assert done <= total
        raise KeyboardInterrupt

    name = "copy.sqlite" if record.location.path else "copy.jsonl.gz"
    with pytest.raises(KeyboardInterrupt):
        backup(record, target / name, progress=stop)
    assert list(target.iterdir()) == []


@pytest.mark.slow
def test_a_damaged_backup_replaces_nothing(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house") as house:
        a_whole_job(house)
        before = _whole(house)
        whole = backup(house, tmp_path / "copy.sqlite").path
        lines = backup(house, tmp_path / "copy.jsonl.gz").path
    data = bytearray(whole.read_bytes())
    data[4096 * 5 : 4096 * 6] = b"\xff" * 4096
    text_lines = gzip.decompress(lines.read_bytes()).splitlines(keepends=True)
    bad = {
        "pages.sqlite": bytes(data),
        "short.sqlite": whole.read_bytes()[:6000],
        "other.sqlite": b"no database at all" * 400,
        "short.jsonl.gz": lines.read_bytes()[:-40],
        "cut.jsonl.gz": gzip.compress(b"".join(text_lines[:-1])),
        "changed.jsonl.gz": gzip.compress(b"".join(text_lines).replace(b"Body A", b"Body B")),
        "empty.sqlite": b"",
        "empty.jsonl.gz": b"",
        "nothing.jsonl.gz": gzip.compress(b""),
        "none.jsonl.gz": b"nothing compressed",
        "json.jsonl.gz": gzip.compress(b'{"schema": "another"}\n'),
    }
    for name, content in bad.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(RecordError) as refused:
            restore(tmp_path / name, tmp_path / "house")
        is_told = "is empty. Nothing was changed; take another copy." in str(refused.value)
        assert is_told == (name in ("empty.sqlite", "empty.jsonl.gz", "nothing.jsonl.gz")), name
        if name == "other.sqlite":  # no advice to restore a backup to whoever is restoring one
            assert str(refused.value).endswith(
                "is no record of Shimwise. Nothing was changed; take another copy."
            )
        with Record.open(tmp_path / "house") as house:
            assert _whole(house) == before, name
        assert {path.name for path in (tmp_path / "house").iterdir()} == {"shimwise.sqlite"}, name


def test_a_backup_that_contradicts_itself_replaces_nothing(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house") as house:
        a_job(house)
        copy = backup(house, tmp_path / "copy.sqlite").path
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("UPDATE preps SET reading_count = 7")
        connection.commit()
    with pytest.raises(RecordDamaged, match="counts 7 readings and holds 3"):
        restore(copy, tmp_path / "house")


def test_a_record_in_use_is_not_replaced(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house") as house:
        a_job(house)
        copy = backup(house, tmp_path / "copy.sqlite").path
        with pytest.raises(RecordBusy, match="in use by another program"):
            restore(copy, tmp_path / "house")
        with house.writing(who="Ann") as change:  # and it goes on
            evidence.add_reading(change, a_reading(9))
    assert restore(copy, tmp_path / "house").kept is not None


@pytest.mark.slow
@pytest.mark.parametrize("has_links", [True, False])
def test_nobody_writes_into_a_record_that_is_about_to_be_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, has_links: bool
) -> None:
    with Record.open(tmp_path / "house") as house:
        a_job(house)
        copy = backup(house, tmp_path / "copy.sqlite").path
        with house.writing(who="Ann") as change:
            evidence.add_reading(change, a_reading(9))
    link, told = os.link, Queue[str]()

    def late() -> None:
        """Open the record, and wait for whoever holds it: as a ``serve`` that starts at this moment."""
        try:
            Record.open(tmp_path / "house", waited_s=20.0).close()
            told.put("opened")
        except RecordBusy as error:
            told.put(str(error))

    def meanwhile(source: Path, target: Path) -> None:
        with pytest.raises(RecordBusy, match="held by another program"):
            Record.open(tmp_path / "house", waited_s=0.1)
        waiting.start()
        time.sleep(0.3)
        if not has_links:
            raise OSError(errno.EPERM, "no links here")
        link(source, target)

    waiting = threading.Thread(target=late)
    monkeypatch.setattr(os, "link", meanwhile)
    kept = restore(copy, tmp_path / "house").kept
    waiting.join(30)
    assert kept is not None
    assert "was replaced by another one meanwhile" in told.get(timeout=1)
    for path, count in ((tmp_path / "house", 3), (kept, 4)):
        with Record.open(path) as record, record.reading() as connection:
            assert len(evidence.readings(connection, "prep-1")) == count
        with Record.open(path) as record:
            assert check(record) == ()


def test_a_damaged_record_is_kept_when_a_backup_takes_its_place(tmp_path: Path) -> None:
    with Record.open(tmp_path / "house") as house:
        a_job(house)
        copy = backup(house, tmp_path / "copy.sqlite").path
    path = tmp_path / "house" / "shimwise.sqlite"
    path.write_bytes(b"overwritten by something else" * 500)
    with pytest.raises(RecordDamaged, match="no record of Shimwise"):
        Record.open(tmp_path / "house")
    kept = restore(copy, tmp_path / "house").kept
    assert kept is not None
    assert kept.read_bytes().startswith(b"overwritten")
    with Record.open(tmp_path / "house") as house:
        assert check(house) == ()


def test_a_backup_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordAway, match="Check the name of the backup"):
        restore(tmp_path / "none.sqlite", tmp_path / "house")


def test_a_check_finds_what_cannot_be(record: Record) -> None:
    a_whole_job(record)
    assert check(record) == ()
    with record.changing_all() as connection:
        for change in (
            "UPDATE preps SET reading_count = 9",
            "UPDATE preps SET revision = 1",
            "UPDATE bodies SET epoch = 0",
            "UPDATE setups SET body_id = 'body-a', prep_id = 'prep-1'",
            "UPDATE readings SET lens_id = 'lens-zoom' WHERE id = 'reading-1-1'",
            "DELETE FROM prep_lenses WHERE lens_id = 'lens-zoom'",
        ):
            connection.execute(text(change))
    found = {f"{one.subject}: {one.text}" for one in check(record)}
    assert found == {
        "prep prep-1: counts 9 readings and holds 4, numbered up to 4.",
        "prep prep-1: is at revision 1, and has a verdict on 5.",
        "prep prep-1: is at revision 1, and has a sign-off on 9.",
        "body Body A: is in epoch 0, and was adjusted into epoch 1.",
        "reading reading-1-1: is of a lens that its prep does not name.",
    }


def test_a_check_finds_a_hole_in_the_journal(record: Record) -> None:
    a_job(record)
    with record.changing_all() as connection:
        connection.execute(
            text("INSERT INTO journal (seq, at, who, what, detail) VALUES (99, '2025-03-01', 'x', 'x', '{}')")
        )
    assert [one.subject for one in check(record)] == ["journal"]


def test_a_check_names_the_document_that_cannot_be_read(record: Record) -> None:
    a_whole_job(record)
    with record.changing_all() as connection:
        connection.execute(text("UPDATE verdicts SET document = :bytes"), {"bytes": b"not compressed"})
        connection.execute(text("UPDATE sweeps SET result = '{}'"))
    assert [one.subject for one in check(record)] == ["verdict verdict-1-5", "sweep sweep-1"]


def test_a_check_reckons_the_digest_of_every_signature(record: Record) -> None:
    a_whole_job(record)
    with record.writing(who="Bo") as change:
        kept = verdicts.sign_offs(change.connection, "prep-1")[0]
        verdicts.add_sign_off(change, replace(kept, id="sign-off-2", signed_json=f"{kept.signed_json} "))
        verdicts.add_sign_off(change, replace(kept, id="sign-off-3", signed_json=None))
    (found,) = check(record)
    assert found.subject == "sign-off sign-off-2"
    assert "is not over the document that is kept with it" in found.text


@pytest.mark.parametrize("table", ["readings", "verdicts", "journal", "preps", "sign_offs"])
def test_the_database_itself_refuses_to_delete(record: Record, table: str) -> None:
    a_whole_job(record)
    with pytest.raises(RecordError, match="delete is refused"), record.changing_all() as connection:
        connection.execute(text(f"DELETE FROM {table}"))


def test_the_database_itself_refuses_to_change_a_signature(record: Record) -> None:
    a_whole_job(record)
    with pytest.raises(RecordError, match="update is refused"), record.changing_all() as connection:
        connection.execute(text("UPDATE sign_offs SET signed_by = 'someone else'"))


def test_the_database_itself_refuses_to_rewrite_the_journal(record: Record) -> None:
    a_job(record)
    with pytest.raises(RecordError, match="update is refused"), record.changing_all() as connection:
        connection.execute(text("UPDATE journal SET who = 'someone else'"))
