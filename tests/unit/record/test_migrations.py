"""Tables and migrations agree; an interrupted one leaves the record as it was; a newer record is left."""

import os
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from invented_rows import a_job, a_verdict
from sqlalchemy import Connection, inspect, text

from shimwise.bench.access import pairing
from shimwise.errors import RecordError
from shimwise.record import opening
from shimwise.record.backup.checking import check
from shimwise.record.errors import RecordDamaged, RecordTooNew, StoreError
from shimwise.record.migrations import FOLDER, HEAD, KNOWN
from shimwise.record.names import name_key
from shimwise.record.queries import evidence, verdicts
from shimwise.record.queries.settings import change_setting, setting
from shimwise.record.record import Record
from shimwise.record.tables.schema import METADATA

pytestmark = pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")

NEXT = '''"""A change of the tables, for tests."""

import os

from alembic import op

revision = "9999"
down_revision = "{head}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("ALTER TABLE preps ADD COLUMN colour TEXT")
    op.execute("CREATE TABLE half_made (id TEXT)")
    {ending}
'''


def _scripts(tmp_path: Path, ending: str) -> Path:
    """Give the migrations and one more, which ends so."""
    scripts = tmp_path / f"scripts-{abs(hash(ending))}"
    shutil.copytree(FOLDER, scripts)
    (scripts / "versions" / "r9999_more.py").write_text(NEXT.format(head=HEAD, ending=ending))
    return scripts


def _is_as_it_was(record: Record) -> None:
    with record.reading() as connection:
        looked = inspect(connection)
        assert "half_made" not in looked.get_table_names()
        assert "colour" not in {column["name"] for column in looked.get_columns("preps")}
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == HEAD
        assert len(evidence.readings(connection, "prep-1")) == 3
    assert check(record) == ()


def test_the_tables_are_those_that_the_migrations_make(record: Record) -> None:
    with record.engine.connect() as connection:
        context = MigrationContext.configure(
            connection, opts={"compare_type": True, "compare_server_default": True}
        )
        assert compare_metadata(context, METADATA) == []


def test_the_known_versions_are_those_of_the_folder() -> None:
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    scripts = ScriptDirectory.from_config(config)
    assert [script.revision for script in scripts.walk_revisions()][::-1] == list(KNOWN)
    assert scripts.get_heads() == [HEAD]


def test_there_is_no_way_back_and_that_is_said_with_the_copy_to_take(tmp_path: Path) -> None:
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    for script in ScriptDirectory.from_config(config).walk_revisions():
        with pytest.raises(RecordError, match=r"name ends in \.before-"):
            script.module.downgrade()


@pytest.mark.slow
def test_a_migration_that_fails_half_way_leaves_the_record_as_it_was(record: Record, tmp_path: Path) -> None:
    a_job(record)
    with pytest.raises(StoreError, match="refused the change"), record.translated():
        opening.migrate(
            record.engine,
            record.location,
            scripts=_scripts(tmp_path, 'op.execute("SELECT nothing FROM nowhere")'),
        )
    _is_as_it_was(record)
    with record.translated():  # and the same again, once the reason is gone, goes through
        opening.migrate(record.engine, record.location, scripts=_scripts(tmp_path, "pass"))
    with record.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "9999"


def test_a_migration_killed_half_way_leaves_the_record_as_it_was(record: Record, tmp_path: Path) -> None:
    a_job(record)
    address = record.location.url.render_as_string(hide_password=False)
    where = str(record.location.path) if record.location.path else address
    record.close()
    child = os.fork()
    if child == 0:
        with Record.open(where) as own:
            opening.migrate(own.engine, own.location, scripts=_scripts(tmp_path, "os._exit(9)"))
        os._exit(0)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 9
    with Record.open(where) as again:
        _is_as_it_was(again)


def test_a_signature_of_an_older_record_stays_and_keeps_no_document(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = tmp_path / "first"
    shutil.copytree(FOLDER, first)
    for later in (first / "versions").glob("r00*.py"):
        if later.name > "r0002":
            later.unlink()
    with monkeypatch.context() as older:
        older.setattr(opening, "FOLDER", first)
        older.setattr(opening, "HEAD", "0001")
        with Record.open(tmp_path / "house") as record, record.changing_all() as connection:
            connection.execute(
                text(
                    "INSERT INTO preps (id, title, title_key, state, started_at, started_by, closed_by, "
                    "note, revision, reading_count) "
                    "VALUES ('p', 'old', 'old', 'signed', '2025-03-01', 'Bo', '', '', 4, 0)"
                )
            )
            connection.execute(
                text(
                    "INSERT INTO sign_offs (id, prep_id, revision, signed_by, signed_at, digest, exceptions) "
                    "VALUES ('s', 'p', 4, 'Bo', '2025-03-01', 'ab', '[]')"
                )
            )
    with Record.open(tmp_path / "house") as record:
        with record.reading() as connection:
            (kept,) = verdicts.sign_offs(connection, "p")
        assert (kept.digest, kept.signed_json) == ("ab", None)
        assert check(record) == ()


def test_the_state_of_a_unit_is_taken_from_the_latest_verdict_about_it(record: Record) -> None:
    a_job(record)
    with record.writing(who="Bo") as change:
        given = a_verdict(9)
        units = {
            kind: [{**unit, "state": "likely_in"} for unit in given.document[kind]]
            for kind in ("bodies", "lenses")
        }
        verdicts.add_verdict(change, replace(given, id="judged", document={**given.document, **units}))
    with record.changing_all() as connection:  # as a record of the version before is
        _take_people_away(connection)
        connection.execute(text("ALTER TABLE unit_lines DROP COLUMN state"))
        for column in ("landing_um", "landing_sd_um", "setting"):
            connection.execute(text(f"ALTER TABLE readings DROP COLUMN {column}"))
        connection.execute(text("UPDATE alembic_version SET version_num = '0005'"))
    with record.translated():
        opening.migrate(record.engine, record.location, scripts=FOLDER)
    with record.reading() as connection:
        states = connection.execute(text("SELECT state FROM unit_lines WHERE prep_id = 'prep-1'")).scalars()
        assert set(states) == {"likely_in"}


def _take_people_away(connection: Connection) -> None:
    """Make the tables those of the version before there were people with roles."""
    for change in (
        "DROP TABLE jobs",
        "ALTER TABLE preps DROP COLUMN epoch_shifts",
        "DROP TABLE sync_marks",
        "DROP TABLE short_lived",
        "DROP TABLE tokens",
        "DROP INDEX ix_people_role",
        "ALTER TABLE people DROP COLUMN role",
        "ALTER TABLE people DROP COLUMN pin_hash",
    ):
        connection.execute(text(change))


def test_devices_that_were_paired_stay_so_and_expire_from_then_on(record: Record) -> None:
    now = datetime.now(UTC)
    paired_at = now - timedelta(days=30)
    kept = [
        {"id": one, "name": one, "paired_at": paired_at.isoformat(), "how": how, "digest": one * 8}
        for one, how in (("tablet", "code"), ("stock", "program"))
    ]
    with record.writing(who="Bo") as change:
        change_setting(change, "house_devices", kept)
        change_setting(change, "house_devices_seen", {"tablet": now.isoformat()})
    with record.changing_all() as connection:
        _take_people_away(connection)
        connection.execute(text("UPDATE alembic_version SET version_num = '0007'"))
    with record.translated():
        opening.migrate(record.engine, record.location, scripts=FOLDER)
    tablet, stock = sorted(pairing.devices(record), key=lambda one: one.name, reverse=True)
    assert (tablet.name, tablet.paired_at, tablet.seen_at, tablet.role) == ("tablet", paired_at, now, None)
    assert tablet.expires_at == paired_at + pairing.DEVICE_LASTS
    assert (stock.is_program, stock.role) == (True, None)
    assert stock.expires_at - now > timedelta(days=364)
    with record.reading() as connection:
        assert setting(connection, "house_devices") is None


@pytest.mark.slow
def test_names_of_an_older_record_are_compared_with_one_dash(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    older = tmp_path / "older"
    shutil.copytree(FOLDER, older)
    for later in (older / "versions").glob("r00*.py"):
        if later.name > "r0009":
            later.unlink()
    names = ("A–07", "B-01", "B‐01", "C−1")
    with monkeypatch.context() as before:
        before.setattr(opening, "FOLDER", older)
        before.setattr(opening, "HEAD", "0008")
        with Record.open(tmp_path / "house") as record, record.changing_all() as connection:
            for number, name in enumerate(names):
                connection.execute(
                    text("INSERT INTO people (id, name, name_key) VALUES (:id, :name, :key)"),
                    {"id": f"{number}", "name": name, "key": name.casefold()},
                )
    with Record.open(tmp_path / "house") as record, record.reading() as connection:
        keys = connection.execute(text("SELECT name_key FROM people ORDER BY id")).scalars().all()
    assert keys == ["a-07", "b-01", "b‐01", "c-1"]  # two that are one now: each stays
    assert (
        keys[0]
        == name_key("A‑07")
        == name_key("a\N{FULLWIDTH HYPHEN-MINUS}07")
        == name_key("A\N{SOFT HYPHEN}-07")
    )


@pytest.mark.slow
def test_an_older_record_is_copied_before_it_is_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Record.open(tmp_path / "house") as record:
        a_job(record)
    with monkeypatch.context() as newer:
        newer.setattr(opening, "FOLDER", _scripts(tmp_path, "pass"))
        newer.setattr(opening, "HEAD", "9999")
        newer.setattr(opening, "KNOWN", (*KNOWN, "9999"))
        Record.open(tmp_path / "house").close()
    copy = tmp_path / "house" / f"shimwise.sqlite.before-{HEAD}"
    shutil.copy(copy, tmp_path / "old.sqlite")
    with Record.open(tmp_path / "old.sqlite") as old:
        _is_as_it_was(old)
    with pytest.raises(RecordTooNew, match="its tables are 9999, this one knows up to"):
        Record.open(tmp_path / "house")


def test_a_record_of_a_newer_program_is_left_untouched(record: Record) -> None:
    a_job(record)
    with record.changing_all() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    where = str(record.location.path or record.location.url.render_as_string(hide_password=False))
    for is_read_only in (True, False):
        with pytest.raises(RecordTooNew, match="Bring this program up to date"):
            Record.open(where, is_read_only=is_read_only)
    with record.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "9999"


@pytest.mark.parametrize(
    "content", [b"", b"SQLite format 3\x00" + b"\x07" * 4000, b"a text that is no database" * 200]
)
def test_a_file_that_is_no_record_is_told_and_left(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "house.sqlite"
    path.write_bytes(content)
    with pytest.raises(RecordDamaged, match="no record of Shimwise"):
        Record.open(path)
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_told_and_left(tmp_path: Path) -> None:
    path = tmp_path / "else.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE songs (title TEXT)")
    with pytest.raises(RecordDamaged, match="its tables are others"):
        Record.open(path)


@pytest.mark.slow
def test_two_that_open_a_new_record_at_once_make_it_once(tmp_path: Path) -> None:
    children = []
    for _ in range(4):
        child = os.fork()
        if child == 0:
            try:
                Record.open(tmp_path / "house").close()
            except BaseException:
                os._exit(1)
            os._exit(0)
        children.append(child)
    assert [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children] == [0] * 4
    with Record.open(tmp_path / "house") as record:
        assert check(record) == ()
