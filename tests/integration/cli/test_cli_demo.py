"""Whole commands of ``shimwise demo``: it finds what is wrong with its invented bench, and ends by itself."""

import json
import os
import shlex
from importlib.resources import files
from pathlib import Path

import pytest
from bench_files import Run, shimwise, strict_json, unit

from shimwise.bench.demo import demo as bench
from shimwise.errors import SheetError

WRITTEN = {
    "demo-readings.csv",
    "demo-kit.toml",
    "demo-readings-after.csv",
    "demo-pictures.csv",
    "demo-verdict.json",
    "demo-verdict.svg",
    "demo-verdict.pdf",
}


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What the demonstration prints where there is no terminal, and the folder that it ran in."""
    here = tmp_path_factory.mktemp("demo")
    done = shimwise("demo", cwd=here)
    assert (done.returncode, done.stderr) == (0, b"")
    return done.stdout.decode(), here


def test_it_finds_the_faults_and_the_blunders_and_calls_nothing_else_out(shown: tuple[str, Path]) -> None:
    truth = json.loads(
        files("shimwise.bench.demo").joinpath("demo_bench/truth.json").read_text(encoding="utf-8")
    )
    verdict = strict_json((shown[1] / "shimwise-demo/demo-verdict.json").read_text(encoding="utf-8"))
    units = (*verdict["bodies"], *verdict["lenses"])
    out = {one["name"]: one["verdict"] for one in units if one["verdict"].startswith("out")}
    assert out == {"A-07": "out_short", "H40": "out_deep"}
    true_um = truth["bodies_um"] | truth["lenses_um"]
    assert (true_um["A-07"], true_um["H40"]) == (-24, 28)
    for one in units:
        assert one["low_um"] < true_um[one["name"]] < one["high_um"]
    setups = {one["name"]: one for one in verdict["setups"]}
    assert {name for name, one in setups.items() if one["p_out"] > 0.8} == {"A-12 at 6 ft"}
    taped = setups["A-12 at 6 ft"]
    assert taped["error_mm"] == pytest.approx(25.4, abs=2 * taped["sd_mm"])
    doubted = {reading["line"] for reading in verdict["readings"] if reading["weight"] < 0.3}
    assert doubted == set(truth["blunder_lines"])
    assert len(truth["blunder_lines"]) == 2
    assert unit(verdict, "bodies", "A-12")["verdict"] == "in_tolerance"


def test_it_shows_the_whole_job_in_order_and_says_that_the_data_are_invented(shown: tuple[str, Path]) -> None:
    text = shown[0]
    order = (
        "Invented data",
        "taped at 3'",
        "Body A-07 lands short",
        "\nWhat to do now",
        "◀ short",
        "\nUnit ",
        "\nCauses",
        "\nHow it is done",
        "Caution:",
        "What was wrong in truth",
        "What comes after",
        "Written into shimwise-demo",
    )
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert " body A-07             true −24 µm" in text
    assert "In truth the turn made +27 µm, and A-07 is at +3 µm" in " ".join(text.split())
    judged = text[text.index("Body A-07 lands short") : text.index("What was wrong in truth")]
    assert len(judged.rstrip().splitlines()) <= 90
    report = text[: text.index("Next, yourself")]
    assert max(map(len, report.splitlines())) <= 80


def test_it_writes_its_files_into_the_folder_that_it_names(shown: tuple[str, Path]) -> None:
    text, here = shown
    folder = here / "shimwise-demo"
    assert {path.name for path in folder.iterdir() if path.is_file()} == WRITTEN
    assert all(name in text for name in WRITTEN)
    assert (folder / "demo-verdict.pdf").read_bytes().startswith(b"%PDF")
    assert "A-07" in (folder / "demo-verdict.svg").read_text(encoding="utf-8")


def test_it_ends_with_what_to_do_next_in_two_lines(
    shown: tuple[str, Path], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    text, here = shown
    monkeypatch.chdir(here)
    first, second = text.splitlines()[-2:]
    words = shlex.split(first)
    code, out, err = run(*words[words.index("judge") :])
    assert (code, bool(out), err) == (1, True, "")
    assert second.endswith("serve --demo. To a signed sheet, step by step: docs/guide/eye.md")
    assert (Path(__file__).parents[3] / "docs" / "guide" / "eye.md").is_file()


def test_the_folder_can_be_chosen_and_only_its_own_files_are_replaced(tmp_path: Path, run: Run) -> None:
    mine = tmp_path / "readings.csv"
    mine.write_text("mine", encoding="utf-8")
    code, out, err = run("demo", "--out", tmp_path, "--seed", "5")
    assert (code, err) == (0, "")
    assert f"Written into {tmp_path}:" in out
    assert {path.name for path in tmp_path.iterdir()} == WRITTEN | {"readings.csv"}
    assert mine.read_text(encoding="utf-8") == "mine"


def test_a_folder_that_cannot_be_made_is_refused_before_any_work(tmp_path: Path, run: Run) -> None:
    file = tmp_path / "file"
    file.write_text("", encoding="utf-8")
    code, out, err = run("demo", "--out", file)
    assert (code, out) == (2, "")
    assert (
        err
        == f"shimwise: The demonstration cannot be written into {file}: File exists. Choose another folder.\n"
    )


def test_where_nothing_can_be_written_here_a_temporary_folder_serves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "access", lambda *_: False)
    folder = bench.demo_folder()
    assert folder.is_dir()
    assert tmp_path not in folder.resolve().parents
    folder.rmdir()
    with pytest.raises(SheetError, match="Permission denied"):
        bench.demo_folder(tmp_path / "asked for")


def test_it_can_be_shown_where_there_is_only_ascii(tmp_path: Path) -> None:
    done = shimwise("demo", "--out", tmp_path, environment={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0
    assert "true -24 um" in done.stdout.decode("ascii")
    assert "?" not in done.stdout.decode("ascii").replace("?)", "")


def test_the_same_bench_by_picture_says_the_same_in_two_dozen_landings(
    shown: tuple[str, Path], run: Run
) -> None:
    text, here = shown
    assert "The same by picture" in text
    folder = here / "shimwise-demo"
    assert len((folder / "demo-pictures.csv").read_text(encoding="utf-8").splitlines()) == 1 + 24
    code, out, _ = run(
        *("judge", folder / "demo-pictures.csv", "--kit", folder / "demo-kit.toml", "--json"),
    )
    verdict = strict_json(out)
    assert code == 1
    units = (*verdict["bodies"], *verdict["lenses"])
    out_of = {one["name"]: one["verdict"] for one in units if one["verdict"].startswith("out")}
    assert out_of == {"A-07": "out_short", "H40": "out_deep"}
    assert {one["name"] for one in verdict["setups"] if one["p_out"] > 0.8} == {"A-12 at 6 ft"}
    truth = json.loads(
        files("shimwise.bench.demo").joinpath("demo_bench/truth.json").read_text(encoding="utf-8")
    )
    true_um = truth["bodies_um"] | truth["lenses_um"]
    assert all(one["low_um"] < true_um[one["name"]] < one["high_um"] for one in units)
