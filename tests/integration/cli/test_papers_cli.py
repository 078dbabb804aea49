"""Whole commands of ``shimwise sheet`` and ``shimwise verify``."""

import errno
import importlib.util
import json
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from record_template import copied_record
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.bench.exchange import record_admin
from shimwise.bench.sign.papers import signature_of
from shimwise.bench.sign.sealing import seal_of
from shimwise.cli import main
from shimwise.house_keys import house_key
from shimwise.record.exchange import prep_json
from shimwise.record.exchange.row_json import row_to_json
from shimwise.record.queries import preps, verdicts
from shimwise.record.tables.rows import SignOffRow

Run = Callable[..., tuple[int, str, str]]
INVENTED = Path(__file__).parents[2] / "unit" / "sheets" / "papers" / "invented_preps.py"


@pytest.fixture(scope="session")
def invented() -> Any:  # noqa: ANN401 - a module
    spec = importlib.util.spec_from_file_location("invented_preps", INVENTED)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault("invented_preps", module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process; give exit code, output and errors."""

    def call(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(words)
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    return call


@pytest.fixture
def prep(invented: Any, tmp_path: Path) -> Path:  # noqa: ANN401
    file = tmp_path / "prep.json"
    file.write_text(
        json.dumps(invented.signed_document(with_sweep=False), ensure_ascii=False), encoding="utf-8"
    )
    return file


def test_a_sheet_is_written_and_verified(run: Run, prep: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.pdf"
    code, out, err = run("sheet", str(prep), "--out", str(sheet))
    assert (code, err) == (0, "")
    assert out == f"The sheet of Prep for a demonstration stands in {sheet}, 3 pages.\n"
    for file in (sheet, prep):
        code, out, err = run("verify", str(file))
        assert (code, err) == (0, "")
        assert out.startswith("As signed: Prep for a demonstration.\n")
        assert "Signed by technician, 3 February 2026, 10:15 UTC." in out


def test_an_altered_prep_is_told_with_exit_code_1(run: Run, prep: Path) -> None:
    document = json.loads(prep.read_text(encoding="utf-8"))
    document["prep"]["temperature_c"] = 30
    prep.write_text(json.dumps(document), encoding="utf-8")
    code, out, _ = run("verify", str(prep))
    assert code == 1
    assert out.startswith("ALTERED: Prep for a demonstration.\nThe prep is not what was signed")


def test_what_is_no_sheet_has_exit_code_2(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "a.pdf"
    for content, words in ((b"hello", "no PDF and no prep"), (b"%PDF-1.7 hello", "no sheet of Shimwise")):
        file.write_bytes(content)
        code, _, err = run("verify", str(file))
        assert code == 2
        assert words in err
    code, _, err = run("verify", str(tmp_path / "none.pdf"))
    assert code == 2
    assert "cannot be read" in err


def test_json_gives_digest_and_state(run: Run, prep: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.pdf"
    code, out, _ = run("sheet", str(prep), "--out", str(sheet), "--paper", "Letter", "--json")
    assert code == 0
    made = json.loads(out)
    code, out, _ = run("verify", str(sheet), "--json")
    told = json.loads(out)
    assert [one["digest"] for one in made["preps"]] == [one["digest"] for one in told["preps"]]
    assert [one["state"] for one in told["preps"]] == ["as_signed"]


def test_a_day_of_preps_is_one_file(run: Run, prep: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "day.pdf"
    code, out, err = run("sheet", str(prep), str(prep), "--out", str(sheet))
    assert (code, err) == (0, "")
    assert out == f"The sheet of 2 preps stands in {sheet}, 6 pages.\n"


def test_no_half_sheet_is_left_where_nothing_can_be_written(
    run: Run, prep: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill_the_disk(path: Path, content: bytes) -> int:
        with path.open("wb") as file:
            file.write(content[:1000])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_bytes", fill_the_disk)
    code, _, err = run("sheet", str(prep), "--out", str(tmp_path / "sheet.pdf"))
    assert code == 3
    assert "cannot be written" in err
    assert [path.name for path in tmp_path.iterdir()] == [prep.name]


def test_a_folder_that_is_not_there_is_not_made(run: Run, prep: Path, tmp_path: Path) -> None:
    code, _, err = run("sheet", str(prep), "--out", str(tmp_path / "none" / "sheet.pdf"))
    assert code == 2
    assert "cannot be written" in err
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--kind", "lens-card", "--unit", "H40"), "Lens cards from Prep for a demonstration stand in "),
        (("--kind", "labels"), "Labels from Prep for a demonstration stand in "),
        (
            ("--kind", "set-table", "--unit", "A-07", "--units", "m"),
            "The set table from Prep for a demonstration ",
        ),
        (("--kind", "set-table", "--distance", "3'", "--distance", "INF"), "The set table from "),
    ],
)
def test_each_kind_of_paper_is_written_and_verified(
    run: Run, prep: Path, tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    file = tmp_path / "a.pdf"
    code, out, err = run("sheet", str(prep), "--out", str(file), *words)
    assert (code, err) == (0, "")
    assert out.startswith(told)
    assert run("verify", str(file))[0] == 0


def test_labels_take_their_sizes_from_a_file(run: Run, prep: Path, tmp_path: Path) -> None:
    sizes, file = tmp_path / "labels.toml", tmp_path / "a.pdf"
    sizes.write_text("[labels]\nwidth_mm = 60\ncolumns = 2\n")
    assert run("sheet", str(prep), "--kind", "labels", "--labels", str(sizes), "--out", str(file))[0] == 0
    sizes.write_text("[labels]\nwidth_mm = 600\n")
    words = ("sheet", str(prep), "--kind", "labels", "--labels", str(sizes), "--out", str(file))
    code, _, err = run(*words)
    assert code == 2
    assert "a.pdf is there already. Name another file, or give --force." in err
    code, _, err = run(*words, "--force")
    assert code == 2
    assert "width_mm is 600; give 24 to 200 mm" in err


def test_what_cannot_be_printed_is_refused_in_words(run: Run, prep: Path) -> None:
    assert run("sheet")[0] == 2
    for words, told in (
        (("--day", "today"), "'today' is no day; write it as 2026-02-03"),
        (("--kind", "poster"), "give check, lens-card, labels, set-table"),
        (("--kind", "labels", str(prep)), "one prep at a time, not of 2"),
        (("--paper", "B5"), "give A4 or Letter"),
    ):
        code, _, err = run("sheet", str(prep), *words)
        assert code == 2
        assert told in err


def test_preps_of_the_record_are_printed_signed_and_verified(run: Run, tmp_path: Path) -> None:
    folder, sheet = tmp_path / "record", tmp_path / "day.pdf"
    filled = copied_record(folder, fill_demo)
    with record_admin.open_record(folder) as record:
        with record.writing(who="technician") as change:
            preps.change_state(change, filled.done_prep_id, "signed")
            document = prep_json.export_prep(change.connection, filled.done_prep_id)
            row = SignOffRow(
                id="5" * 32,
                prep_id=filled.done_prep_id,
                revision=document["prep"]["revision"],
                signed_by=change.who,
                signed_at=change.at,
                digest="",
            )
            digest = signature_of(document, row_to_json(row))
            row = replace(row, digest=digest)
            verdicts.add_sign_off(change, replace(row, seal=seal_of(change.connection, row, house_key())))
        began = record_admin.prep_document(record, filled.done_prep_id)["prep"]["started_at"]
    day = datetime.fromisoformat(began).astimezone().date().isoformat()
    code, out, err = run("sheet", "--day", day, "--data", str(folder), "--out", str(sheet), "--json")
    assert (code, err) == (0, "")
    assert len(json.loads(out)["preps"]) == 2
    code, out, _ = run("verify", str(sheet), "--json")
    assert code == 1
    assert [one["state"] for one in json.loads(out)["preps"]] == ["as_signed", "not_signed"]
    words = ("sheet", filled.done_prep_id, "--data", str(folder), "--out", str(sheet))
    assert run(*words, "--force")[0] == 0
    code, out, _ = run("verify", str(sheet))
    assert code == 0
    assert "Signed by technician" in out
    assert digest in out


def test_a_sheet_is_a_pdf_and_its_link_an_address_of_the_web(run: Run, prep: Path, tmp_path: Path) -> None:
    code, _, err = run("sheet", str(prep), "--out", str(tmp_path / "n.txt"))
    assert (code, "Let its name end in .pdf." in err) == (2, True)
    code, _, err = run("sheet", str(prep), "--out", str(tmp_path / "n.pdf"), "--link", "javascript:alert(1)")
    assert (code, "--link javascript:alert(1): is no address of the web" in err) == (2, True)
    assert not list(tmp_path.glob("n.*"))
