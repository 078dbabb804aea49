"""What one server of a record says is heard on the others once it is kept, and after a cut line."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import pytest
from invented_rows import a_job

from postgres import Server
from shimwise.record.errors import RecordTooNew, StoreError
from shimwise.record.hearing import CHANGED, MISSED, MOST_BYTES
from shimwise.record.record import Record

LONGEST_S = 10.0
Notice = tuple[str, str]


class Ear:
    """Keeps what a record's hearer is told."""

    def __init__(self, record: Record) -> None:
        self.heard: list[Notice] = []
        self._came = threading.Condition()
        self.end = record.hear(self._take)

    def _take(self, topic: str, payload: str) -> None:
        with self._came:
            self.heard.append((topic, payload))
            self._came.notify_all()

    def waits_for(self, is_there: Callable[[list[Notice]], object]) -> bool:
        with self._came:
            return self._came.wait_for(lambda: bool(is_there(self.heard)), LONGEST_S)


@pytest.fixture
def pair(postgres_address: str) -> Iterator[tuple[Record, Record, Ear]]:
    with Record.open(postgres_address) as one, Record.open(postgres_address) as other:
        ear = Ear(other)
        assert ear.waits_for(lambda heard: (MISSED, "") in heard)
        assert other.is_hearing
        ear.heard.clear()
        yield one, other, ear


def test_a_change_is_heard_where_it_is_made_on_every_database(record: Record) -> None:
    ear = Ear(record)
    a_job(record, readings=1)  # with units of the house, on which any prep may depend
    assert (CHANGED, "") in ear.heard
    with record.writing(who="Ann") as change:
        change.note("tried", prep_id="prep-1")
    assert ear.heard[-1] == (CHANGED, "prep-1")
    ear.end()
    with record.writing(who="Ann") as change:
        change.note("tried", prep_id="prep-2")
    assert ear.heard[-1] == (CHANGED, "prep-1")


def test_a_change_of_another_server_is_heard_once_and_ones_own_not_again(
    pair: tuple[Record, Record, Ear],
) -> None:
    one, other, ear = pair
    with one.writing(who="Ann") as change:
        change.note("tried", prep_id="p1")
        change.note("tried again", prep_id="p1")
    assert ear.waits_for(lambda heard: heard)
    with other.writing(who="Ann") as change:
        change.notify("jobs", "42")
    with one.writing(who="Ann") as change:
        change.notify("end")
    assert ear.waits_for(lambda heard: ("end", "") in heard)
    assert ear.heard == [(CHANGED, "p1"), ("jobs", "42"), ("end", "")]


def test_what_was_given_up_is_not_heard(pair: tuple[Record, Record, Ear]) -> None:
    one, _, ear = pair
    with suppress(RuntimeError), one.writing(who="Ann") as change:
        change.note("tried", prep_id="p1")
        raise RuntimeError
    with one.writing(who="Ann") as change:
        change.notify("end")
    assert ear.waits_for(lambda heard: ("end", "") in heard)
    assert ear.heard == [("end", "")]


def test_many_preps_that_change_at_once_are_one_notice(pair: tuple[Record, Record, Ear]) -> None:
    one, _, ear = pair
    with one.writing(who="Ann") as change:
        for count in range(100):
            change.note("tried", prep_id=f"p{count}")
        change.notify("end")
    assert ear.waits_for(lambda heard: ("end", "") in heard)
    assert ear.heard == [(CHANGED, ""), ("end", "")]


def test_a_notice_outside_of_changes_is_heard_and_a_long_one_dropped(
    pair: tuple[Record, Record, Ear],
) -> None:
    one, _, ear = pair
    speaking = Ear(one)
    assert speaking.waits_for(lambda heard: heard)
    one.notify("figure", "x" * MOST_BYTES)
    one.notify("figure", "p1 ä")
    assert ear.waits_for(lambda heard: heard)
    assert ear.heard == [("figure", "p1 ä")]
    assert speaking.heard == [(MISSED, "")]


def test_a_line_that_was_cut_is_found_again_and_says_that_something_may_be_missed(
    pair: tuple[Record, Record, Ear], postgres: Server
) -> None:
    one, _, ear = pair
    # As when the database is restarted: the server ends the connection from its side.
    postgres.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'shimwise hearing'"
    )
    assert ear.waits_for(lambda heard: heard.count((MISSED, "")) == 2)  # lost, and found
    with one.writing(who="Ann") as change:
        change.note("tried", prep_id="p1")
    assert ear.waits_for(lambda heard: (CHANGED, "p1") in heard)


def test_a_server_refuses_in_words_what_a_newer_one_has_changed(
    pair: tuple[Record, Record, Ear],
) -> None:
    one, other, ear = pair
    began = other.engine.connect()
    began.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    began.exec_driver_sql("SELECT pg_notify('shimwise', '- migrated ')")
    began.commit()
    began.close()
    assert ear.waits_for(lambda heard: ("migrated", "") in heard)
    with pytest.raises(RecordTooNew, match="Bring this program up to date"), other.reading():
        pass
    # One that hears nothing finds it when it begins a change, and writes nothing.
    with pytest.raises(RecordTooNew, match="tables are 9999"), one.writing(who="Ann"):
        pass
    with pytest.raises(RecordTooNew), one.reading():
        pass


def test_a_line_ends_with_its_record(postgres_address: str) -> None:
    before = threading.active_count()
    with Record.open(postgres_address) as record:
        ear = Ear(record)
        assert ear.waits_for(lambda heard: heard)
        began = time.monotonic()
    assert time.monotonic() - began < 1
    assert threading.active_count() == before


def test_a_record_in_a_file_needs_no_line(record_address: str) -> None:
    with Record.open(record_address) as record:
        is_file = record.location.path is not None
        threads = threading.active_count()
        Ear(record)
        assert (threading.active_count() == threads) is is_file


def test_two_servers_that_start_at_once_on_an_empty_database_make_its_tables_once(postgres: Server) -> None:
    name = postgres.new_database()
    found: list[object] = []

    def start() -> None:
        try:
            with Record.open(postgres.address(name)) as record, record.writing(who="Ann") as change:
                found.append(change.note("started"))
        except StoreError as error:
            found.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    postgres.drop(name)
    assert sorted(map(str, found)) == ["1", "2", "3", "4"]
