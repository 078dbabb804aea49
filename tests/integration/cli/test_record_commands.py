"""The record from the command line: export, import, backup, restore, check; each as a person types it."""

import json
import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from record_template import copied_record
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.bench.exchange import record_admin
from shimwise.cli import ONE_THREAD, main
from shimwise.record.queries import evidence, preps, units
from shimwise.record.tables.mapping import row_by_id
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow

NOON = datetime(2025, 3, 1, 12, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Done:
    """How a command ended, and what it said."""

    returncode: int
    stdout: str
    stderr: str


Shimwise = Callable[..., Done]


@pytest.fixture
def shimwise(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shimwise:
    """Give the command line, called within this process; what it sets for its own is taken back."""
    for name in ONE_THREAD:
        monkeypatch.setenv(name, "1")

    def run(*words: str | Path) -> Done:
        capsys.readouterr()
        try:
            main([str(word) for word in words])
        except SystemExit as ended:
            said = capsys.readouterr()
            code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
            return Done(code, said.out, said.err)
        raise AssertionError("the command line left without an exit code")

    return run


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Give the folder of a record with one invented prep of two readings."""
    folder = tmp_path / "house"
    with record_admin.open_record(folder) as record, record.writing(who="Ann") as change:
        units.add_unit(change, BodyRow(id="b", name="Body A"))
        units.add_unit(change, LensRow(id="l", name="Lens 50", focal_lengths_mm=(50.0,), fnumber=2.0))
        preps.add_prep(
            change,
            PrepRow(
                id="prep-1",
                title="Invented job",
                started_at=NOON,
                started_by="Ann",
                body_ids=("b",),
                lens_ids=("l",),
            ),
        )
        setup = SetupRow(
            id="s",
            prep_id="prep-1",
            body_id="b",
            name="near",
            distance_mm=914.4,
            distance_text="3'",
            taped_by="Ann",
            taped_at=NOON,
        )
        evidence.add_setup(change, setup)
        for number, (mm, text) in enumerate(((901.7, "2' 11 1/2\""), (914.4, "on"))):
            row = ReadingRow(
                id=f"r{number}",
                prep_id="prep-1",
                setup_id="s",
                body_id="b",
                lens_id="l",
                focal_mm=50.0,
                fnumber=2.0,
                reading_mm=mm,
                reading_text=text,
                operator="Ann",
                note="+2",
                taken_at=NOON,
            )
            evidence.add_reading(change, row)
    return folder


def test_a_prep_goes_to_another_record_and_is_the_same_there(
    shimwise: Shimwise, house: Path, tmp_path: Path
) -> None:
    sent = shimwise("export", "invented", tmp_path / "prep.json", "--data", house)
    assert (sent.returncode, sent.stderr) == (0, "")
    for words in ("is taken in", "was here already"):
        taken = shimwise("import", tmp_path / "prep.json", "--data", tmp_path / "away", "--who", "Cy")
        assert taken.returncode == 0, taken.stderr
        assert words in taken.stdout
    back = shimwise("export", "prep-1", "--data", tmp_path / "away")
    assert back.stdout == (tmp_path / "prep.json").read_text(encoding="utf-8")


def test_exported_readings_are_judged_as_any_readings_file(
    shimwise: Shimwise, house: Path, tmp_path: Path
) -> None:
    done = shimwise("export", "prep-1", tmp_path / "readings.csv", "--data", house)
    assert done.returncode == 0, done.stderr
    judged = shimwise("judge", tmp_path / "readings.csv", "--json")
    assert judged.returncode in (0, 1), judged.stderr
    assert ",'+2," in (tmp_path / "readings.csv").read_text(encoding="utf-8"), "safe in a spreadsheet"
    assert shimwise("import", tmp_path / "readings.csv", "--data", tmp_path / "other").returncode == 0
    taken = json.loads(shimwise("export", "Body A", "--data", tmp_path / "other").stdout)
    assert [row["note"] for row in taken["readings"]] == ["+2", "+2"]
    landings = [row["landing_um"] for row in json.loads(judged.stdout)["readings"]]
    assert landings[1] == 0.0  # "on" is what was taped
    assert landings[0] < 0.0  # short is negative


def test_a_backup_is_restored_and_what_it_replaced_is_kept(
    shimwise: Shimwise, house: Path, tmp_path: Path
) -> None:
    copied = shimwise("backup", tmp_path / "copy.sqlite", "--data", house, "--json")
    assert copied.returncode == 0, copied.stderr
    assert json.loads(copied.stdout)["size_bytes"] == (tmp_path / "copy.sqlite").stat().st_size
    with record_admin.open_record(house) as record, record.writing(who="Ann") as change:
        evidence.withdraw(change, ReadingRow, "r0", reason="after the copy")
    done = shimwise("restore", tmp_path / "copy.sqlite", "--data", house)
    assert done.returncode == 0, done.stderr
    before, after = done.stdout.splitlines()
    there = f"{house / 'shimwise.sqlite'}"
    assert before == (
        f"{tmp_path / 'copy.sqlite'}, 1 prep with 2 readings, goes to {there}, "
        "in the place of 1 prep with 2 readings."
    )
    assert after.startswith(f"{there} holds 1 prep with 2 readings now. What was there is kept: ")
    with record_admin.open_record(house) as record, record.reading() as connection:
        assert row_by_id(connection, ReadingRow, "r0").withdrawn_at is None
    (kept,) = house.glob("*before-restore*")
    assert str(kept) in done.stdout
    with record_admin.open_record(kept) as record, record.reading() as connection:
        assert row_by_id(connection, ReadingRow, "r0").withdrawn_reason == "after the copy"


def test_what_is_left_in_the_storage_of_frames_is_listed_and_goes_when_asked(
    shimwise: Shimwise, house: Path, tmp_path: Path
) -> None:
    kept = tmp_path / "storage" / "ab" / ("ab" * 32)
    kept.parent.mkdir(parents=True)
    kept.write_bytes(bytes(2_000_000))
    os.utime(kept, (1.0, 1.0))
    there = ("--data", house, "--storage", tmp_path / "storage")
    assert "storage: 1 file (2.0 MB) is of no sweep." in shimwise("check", *there).stdout
    done = shimwise("check", *there, "--remove-orphans")
    assert (done.returncode, "storage: 1 file (2.0 MB) was removed." in done.stdout) == (0, True)
    assert not kept.exists()


def test_a_record_that_is_well_and_one_that_is_not_are_told_apart(shimwise: Shimwise, house: Path) -> None:
    well = shimwise("check", "--data", house)
    assert (well.returncode, "agrees with itself" in well.stdout) == (0, True)
    with closing(sqlite3.connect(house / "shimwise.sqlite")) as connection:
        connection.execute("UPDATE preps SET reading_count = 5")
        connection.commit()
    ill = shimwise("check", "--data", house, "--json")
    assert ill.returncode == 1
    assert json.loads(ill.stdout)["findings"] == [
        {"subject": "prep prep-1", "text": "counts 5 readings and holds 2, numbered up to 2."}
    ]
    assert "restore the latest backup" in shimwise("check", "--data", house).stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["check", "--data", "{}/none"], "is not there"),
        (["backup", "{}/house/shimwise.sqlite", "--data", "{}/house"], "is there already"),
        (["backup", "{}/no/folder.sqlite", "--data", "{}/house"], "cannot be reached"),
        (["restore", "{}/none.sqlite", "--data", "{}/house"], "Check the name of the backup"),
        (["restore", "{}/text.json", "--data", "{}/house"], "no record of Shimwise"),
        (
            ["restore", "{}/empty.sqlite", "--data", "{}/house"],
            "is empty. Nothing was changed; take another copy.",
        ),
        (
            ["restore", "{}/empty.sqlite", "--data", "{}/new"],
            "is empty. Nothing was changed; take another copy.",
        ),
        (["export", "no such prep", "--data", "{}/house"], "There is no prep [no such prep]"),
        (["export", "prep-1", "{}/text.json", "--data", "{}/house"], "is there already"),
        (["import", "{}/none.json", "--data", "{}/house"], "cannot be opened"),
        (["import", "{}/text.json", "--data", "{}/house"], "is no JSON"),
        (["import", "{}/other.json", "--data", "{}/house"], "shimwise.prep/1"),
        (["import", "{}/deep.json", "--data", "{}/house"], "is no JSON"),
        (["check", "--data", "https://somewhere"], "postgresql://user@host/database"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_sentence_and_changes_nothing(
    shimwise: Shimwise, house: Path, tmp_path: Path, words: list[str], told: str
) -> None:
    (tmp_path / "text.json").write_text("no json at all")
    (tmp_path / "other.json").write_text("{}")
    (tmp_path / "empty.sqlite").touch()
    (tmp_path / "deep.json").write_text("[" * 100_000)
    with record_admin.open_record(house) as record:
        before = record_admin.export_prep(record, "prep-1")
    done = shimwise(*(word.replace("{}", str(tmp_path)) for word in words))
    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    with record_admin.open_record(house) as record:
        assert record_admin.export_prep(record, "prep-1") == before
    assert not list(tmp_path.glob("new/*"))


def test_a_prep_named_by_what_several_have_in_common_is_asked_for_again(
    shimwise: Shimwise, house: Path
) -> None:
    with record_admin.open_record(house) as record, record.writing(who="Ann") as change:
        second = PrepRow(id="prep-2", title="Invented too", started_at=NOON, started_by="Ann")
        preps.add_prep(change, second)
    done = shimwise("export", "invented", "--data", house)
    assert done.returncode == 2
    assert "prep-1  2025-03-01  open    Invented job\n" in done.stderr
    assert "prep-2  2025-03-01  open    Invented too\n" in done.stderr
    assert shimwise("export", "Invented job", "--data", house).returncode == 0, "the very title of one"


def test_a_house_list_is_tried_before_it_is_taken(shimwise: Shimwise, tmp_path: Path) -> None:
    pytest.importorskip("shimwise.bench.house.unit_list")
    listed = tmp_path / "house.csv"
    listed.write_text(
        "kind,name,serial,mount,focal_length_mm,f_number,set\nbody,Body A,1,,,,\nlens,L50,2,,50,2,S\n"
    )
    data = tmp_path / "house"
    tried = shimwise("import", listed, "--dry-run", "--data", data)
    assert tried.returncode == 0, tried.stderr
    assert "Body A: serial 1. It would be added." in tried.stdout
    assert "lens L50: 50 mm f/2, serial 2, in S. It would be added." in tried.stdout
    assert not data.exists()
    with record_admin.open_record(data) as record, record.reading() as connection:
        assert units.units(connection, BodyRow) == []
    taken = shimwise("import", listed, "--data", data, "--json")
    assert json.loads(taken.stdout)["is_taken"] is True
    with record_admin.open_record(data) as record, record.reading() as connection:
        assert [body.name for body in units.units(connection, BodyRow)] == ["Body A"]


def test_the_names_that_other_commands_ask_for_are_listed(shimwise: Shimwise, tmp_path: Path) -> None:
    told = copied_record(tmp_path / "record", fill_demo)
    data = ("--data", tmp_path / "record")
    head, first, second = shimwise("list", *data).stdout.splitlines()
    assert head.split() == ["id", "begun", "state", "readings", "title"]
    assert re.search(r"^[0-9a-f]{8}  .*  open +96 +Invented bench: A-07 and A-12 with set H$", first)
    (short,) = {line.split()[0] for line in (first, second) if " open " in line}
    assert told.open_prep_id.startswith(short)
    assert json.loads(shimwise("export", short, *data).stdout)["prep"]["id"] == told.open_prep_id
    assert shimwise("list", "preps", "--state", "done", *data).stdout.count("Invented bench") == 1
    bodies = shimwise("list", "bodies", *data).stdout
    assert re.search(r"^A-07  PL +out, short, −", bodies, re.MULTILINE)
    lenses = shimwise("list", "lenses", "H4", *data).stdout.splitlines()[1:]
    assert [line.split()[:6] for line in lenses] == [["H40", "40", "mm", "f/2", "PL", "out,"]]
    assert "K24, K35, K65" in shimwise("list", "sets", *data).stdout
    listed = json.loads(shimwise("list", "bodies", "A-0", "--limit", "1", "--json", *data).stdout)
    assert ([one["facts"]["name"] for one in listed["bodies"]], listed["is_all"]) == (["A-03"], False)
    away = shimwise("list", "--data", tmp_path / "mistyped")
    assert (away.returncode, (tmp_path / "mistyped").exists()) == (2, False)
    assert shimwise("list", "cameras", *data).stderr.startswith(
        "shimwise: [cameras] is nothing that is listed;"
    )


@pytest.mark.parametrize(
    "words",
    [
        "drift A-07",
        "repeatability",
        "house",
        "adjust A-07 A-07",
        "sign A-07",
        "reopen A-07",
        "list",
        "export A-07",
        "check",
    ],
)
def test_no_record_is_made_at_a_mistyped_place(shimwise: Shimwise, tmp_path: Path, words: str) -> None:
    done = shimwise(*words.split(), "--data", tmp_path / "mistyped")
    assert (done.returncode, (tmp_path / "mistyped").exists()) == (2, False)
    assert "is not there. Check the name" in done.stderr
