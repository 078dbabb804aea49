"""Flipped bytes are said to be damage, not that something is unknown; a whole record says what is missing."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from invented_rows import a_job

from shimwise.record.damage import DamageWatch
from shimwise.record.errors import NotFound, RecordAway, RecordDamaged
from shimwise.record.queries import preps
from shimwise.record.record import Record


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A record's file, with one prep and three readings, and nothing in its log."""
    with Record.open(tmp_path / "house") as record:
        a_job(record)
    return tmp_path / "house" / "shimwise.sqlite"


def hide_the_prep(path: Path) -> None:
    """Flip a bit of the prep's id in the index by which it is found."""
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'sqlite_autoindex_preps_1'"
        ).fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    data = bytearray(path.read_bytes())
    at = data.index(b"prep-1", (page - 1) * size, page * size)
    data[at] ^= 1
    path.write_bytes(data)


@pytest.mark.parametrize("is_writing", [False, True], ids=["shown", "saved"])
def test_a_prep_that_damage_hides_is_not_said_to_be_unknown(house: Path, is_writing: bool) -> None:
    hide_the_prep(house)
    with Record.open(house) as record:

        def look() -> None:
            if is_writing:
                with record.writing(who="Bo") as change:
                    preps.prep(change.connection, "prep-1")
            else:
                with record.reading() as connection:
                    preps.prep(connection, "prep-1")

        for _ in range(3):
            with pytest.raises(RecordDamaged, match="restore the latest backup"):
                look()


def test_what_a_whole_record_does_not_hold_is_said_to_be_unknown(house: Path) -> None:
    with Record.open(house) as record:
        record.refuse_damage()
        for _ in range(3):
            with pytest.raises(NotFound), record.reading() as connection:
                preps.prep(connection, "prep-2")


def test_who_asks_for_what_is_not_there_has_the_file_looked_at_seldom(
    house: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s, looks = [0.0], []
    watch = DamageWatch(house, "house", clock=lambda: now_s[0])
    monkeypatch.setattr(watch, "_looked", lambda check: looks.append(check) or "")
    for now_s[0] in (0.0, 0.2, 0.9, 1.1, 1.5, 2.2):
        with pytest.raises(KeyError), watch.blaming():
            raise KeyError
    assert looks == ["integrity_check"] * 3


def test_errors_of_the_record_itself_say_what_they_are(house: Path) -> None:
    hide_the_prep(house)
    with pytest.raises(RecordAway), DamageWatch(house, "house").blaming():
        raise RecordAway("is away.", where="house")


def test_a_damaged_file_is_refused_before_it_is_served(house: Path) -> None:
    data = bytearray(house.read_bytes())
    for at in range(5000, len(data), len(data) // 2000):
        data[at] ^= 0x10
    house.write_bytes(data)
    with pytest.raises(RecordDamaged):
        DamageWatch(house, "house").refuse_damage()


def test_a_server_guards_its_own_pages() -> None:
    DamageWatch(None, "house").refuse_damage()
    with pytest.raises(KeyError), DamageWatch(None, "house").blaming():
        raise KeyError
