"""A full disk and Ctrl-C: one sentence and a code of its own, in every command."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from bench_files import BENCH_1, Run

from record_template import copied_record
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.cli import main
from shimwise.cli.commands import COMMANDS

FULL = Path("/dev/full")
MACHINE, STOPPED, NOBODY_READS = 3, 130, 141
READINGS = BENCH_1 / "readings.csv"
needs_full = pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a record, a backup of it and an exported prep."""
    folder = tmp_path_factory.mktemp("house")
    copied_record(folder / "record", fill_demo)
    for words in (("export", "A-07", folder / "prep.json"), ("backup", folder / "copy.sqlite")):
        with pytest.raises(SystemExit):
            main([*map(str, words), "--data", str(folder / "record")])
    return folder


def every(house: Path, out: Path) -> dict[str, tuple[str, ...]]:
    """Words of each command that print something."""
    data = ("--data", str(house / "record"))
    other = ("--data", str(out / "other"))
    return {
        "demo": ("--out", str(out / "demo")),
        "judge": (str(READINGS),),
        "plan": (str(READINGS), "--json"),
        "optics": ("length", "3'"),
        "chart": ("--out", str(out / "chart.pdf")),
        "serve": ("--port", "0", *other),
        "sweep": ("--help",),
        "meter": ("--help",),
        "adjust": ("A-07", "A-07", *data),
        "sign": ("--help",),
        "reopen": ("--help",),
        "drift": ("A-07", *data),
        "repeatability": data,
        "house": ("--help",),
        "sheet": (str(house / "prep.json"), "--out", str(out / "sheet.pdf")),
        "verify": (str(house / "prep.json"),),
        "keys": ("show",),
        "people": ("list", *data),
        "list": data,
        "import": (str(READINGS), *other),
        "export": ("A-07", *data),
        "backup": (str(out / "copy.sqlite"), *data),
        "restore": (str(house / "copy.sqlite"), *other),
        "check": data,
        "sync": ("--help",),
    }


@needs_full
@pytest.mark.parametrize("command", COMMANDS)
def test_output_to_a_full_disk_is_one_sentence_and_three(
    house: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: str,
) -> None:
    words = every(house, tmp_path)[command]
    with FULL.open("w", encoding="utf-8") as full:
        monkeypatch.setattr(sys, "stdout", full)
        with pytest.raises(SystemExit) as left:
            main([command, *words])
        monkeypatch.undo()
    assert left.value.code == MACHINE
    assert capsys.readouterr().err == "shimwise: The output cannot be written: No space left on device.\n"


@needs_full
def test_the_interpreter_has_nothing_left_to_write_at_its_end(tmp_path: Path) -> None:
    # What is buffered is written when the process ends, past every handler.
    with FULL.open("wb") as full:
        words = [sys.executable, "-m", "shimwise", "optics", "length", "3'"]
        done = subprocess.run(words, stdout=full, stderr=subprocess.PIPE, check=False)
    assert (done.returncode, done.stderr.count(b"\n")) == (MACHINE, 1)
    closed = subprocess.run(
        f"{sys.executable} -m shimwise --help | true; exit ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        check=False,
    )
    assert (closed.returncode in (0, NOBODY_READS), closed.stderr) == (True, b"")


@needs_full
def test_a_file_on_a_full_disk_is_three_and_one_that_may_not_be_written_two(run: Run, tmp_path: Path) -> None:
    code, out, err = run("chart", "--out", FULL)
    assert (code, out, err.count("\n")) == (MACHINE, "", 1)
    assert "No space left on device" in err
    assert FULL.is_char_device()
    assert run("chart", "--out", tmp_path / "nowhere" / "chart.pdf")[0] == 2


INTERRUPTED_IN = """
import os, signal, sys

class Stop:
    def find_spec(self, name, *_):
        if name == {module!r}:
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, Stop())
from shimwise.cli import main
main(["judge", {readings!r}])
"""


@pytest.mark.parametrize("module", ["typer", "numpy"])
def test_ctrl_c_while_modules_load_is_one_sentence(module: str) -> None:
    script = INTERRUPTED_IN.format(module=module, readings=str(READINGS))
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (STOPPED, "")
    assert done.stderr == "\nshimwise: stopped before it began.\n"


@pytest.mark.parametrize("where", ["shimwise.bench.desk.judge.judge", "shimwise.cli.desk.judge.show_report"])
def test_ctrl_c_at_work_is_one_sentence(run: Run, monkeypatch: pytest.MonkeyPatch, where: str) -> None:
    def stop(*_: object, **__: object) -> None:
        signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(where, stop)
    code, out, err = run("judge", READINGS)
    assert (code, out) == (STOPPED, "")
    assert err == "shimwise: stopped. What was finished before is kept, and nothing by half.\n"


def test_a_fault_of_the_program_is_no_verdict(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("shimwise.bench.desk.judge.judge", fail)
    code, _, err = run("judge", READINGS)
    assert code == MACHINE
    assert err.rstrip().endswith("that is a fault of the program. Please report it with the lines above.")
