"""Whole commands of ``shimwise sweep`` with several folders."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from sweep_files import BEST_UM, write_sweep

from shimwise.bench.sweep import many

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sweeps, a folder without frames, and a list of them."""
    folder = tmp_path_factory.mktemp("house")
    for name in ("a", "b"):
        write_sweep(folder / name)
    (folder / "empty").mkdir()
    (folder / "list.txt").write_text("# what came today\na\n\nb\nempty\n", encoding="utf-8")
    return folder


def test_a_list_of_folders_becomes_results_a_table_and_a_page_and_is_not_measured_twice(
    run: Run, house: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = ("--list", house / "list.txt", "--table", "t.jsonl", "--page", "p.pdf", "--workers", "1")
    code, out, err = run("sweep", *words)
    assert (code, err) == (1, "")
    assert out.startswith("3 sweeps: 2 told, 1 refused.\n")
    assert out.count("+9.0 ± 0.2 µm") == 2
    assert "empty has no sweep.json" in out
    assert (tmp_path / "p.pdf").read_bytes().startswith(b"%PDF-")
    rows = [json.loads(line) for line in (tmp_path / "t.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [row["best_um"] for row in rows] == [pytest.approx(BEST_UM, abs=0.1)] * 2 + [None]
    assert len((tmp_path / "sweeps.jsonl").read_text(encoding="utf-8").splitlines()) == 3

    asked = []
    monkeypatch.setattr(many, "each_done", lambda _, items, **__: iter(asked.append(list(items)) or ()))
    code, out, err = run("sweep", house / "a", house / "b", "--json")
    assert (code, err, asked) == (0, "", [[]])
    assert [row["folder"] for row in json.loads(out)["sweeps"]] == [str(house / "a"), str(house / "b")]


def test_folders_that_all_are_refused_leave_as_bad_input(run: Run, house: Path, tmp_path: Path) -> None:
    code, out, _ = run("sweep", tmp_path / "none", tmp_path / "nowhere", "--out", tmp_path / "kept.jsonl")
    assert code == 2
    assert out.startswith("2 sweeps: 0 told, 2 refused.\n")
    assert not (tmp_path / "kept.jsonl").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--figure", "f.svg"), "--figure: is of one sweep; give one FOLDER with it."),
        (("--moved", "sensor"), "--moved: is of one sweep; give one FOLDER with it."),
        (("--table", "t.xls"), "t.xls is no name for a table. Let it end in .csv or .jsonl."),
        (("--page", "p.html"), "p.html is to be a PDF. Let its name end in .pdf."),
        (("--workers", "tcp://10.0.0.7:8786"), "unencrypted"),
        (("--workers", "many"), "[many] is no address of a scheduler."),
    ],
)
def test_what_many_sweeps_cannot_have_is_refused(
    words: tuple[str, str], told: str, run: Run, house: Path
) -> None:
    code, out, err = run("sweep", house / "a", house / "b", *words)
    assert (code, out) == (2, "")
    assert told in err


def test_no_folder_at_all_is_said(run: Run, tmp_path: Path) -> None:
    assert run("sweep") == (2, "", "shimwise: FOLDER|CLIP: is missing; name the folder of the frames.\n")
    (tmp_path / "l").write_text("# nothing\n")
    assert run("sweep", "--list", tmp_path / "l")[2] == (
        "shimwise: The list names no folder. Write one a line.\n"
    )
