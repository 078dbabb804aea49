"""A large file is judged and progress is shown; ``benchmarks.speed`` times 100,000 readings."""

import contextlib
import os
import pty
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from bench_files import HEADER, csv_text, exact_rows, strict_json

from child_process import ends_with_the_tests

COUNT = 6_000
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two bodies, eight lenses, three distances: the first body 20 µm short, the second true."""
    focals_mm = (18, 21, 25, 32, 40, 50, 75, 100)
    bodies = (("B1", -20.0), ("B2", 0.0))
    repeats = -(-COUNT // (len(focals_mm) * len(bodies) * 3))
    rows = [
        row
        for body, landing_um in bodies
        for row in exact_rows(landing_um=landing_um, focals_mm=focals_mm, body=body, repeats=repeats)
    ]
    path = tmp_path_factory.mktemp("large") / "readings.csv"
    path.write_text(csv_text(rows[:COUNT], header=HEADER), encoding="utf-8")
    return path


def test_thousands_of_readings_are_judged_and_progress_is_shown(large: Path) -> None:
    start = time.monotonic()
    output, shown = _judged_at_a_terminal(large)
    assert time.monotonic() - start < 60
    verdict = strict_json(output)
    assert len(verdict["readings"]) == COUNT
    verdicts = {one["name"]: one["verdict"] for one in verdict["bodies"]}
    assert verdicts["B1"] == "out_short"
    assert verdicts["B2"] not in ("out_short", "out_deep")
    assert "Judging" in shown


def _judged_at_a_terminal(path: Path) -> tuple[bytes, str]:
    """Judge with standard error on a terminal; give what the command printed and what the terminal showed."""
    ours, theirs = pty.openpty()
    shown: list[bytes] = []
    watcher = threading.Thread(target=_watch, args=(ours, shown))
    with subprocess.Popen(
        ends_with_the_tests(sys.executable, "-m", "shimwise", "judge", path, "--json"),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=os.environ | {"TERM": "xterm-256color", "COLUMNS": "80"},
    ) as process:
        os.close(theirs)
        watcher.start()
        output, _ = process.communicate(timeout=300)
    watcher.join()
    os.close(ours)
    assert process.returncode == 1
    return output, b"".join(shown).decode("utf-8", "replace")


def _watch(terminal: int, shown: list[bytes]) -> None:
    """Read a terminal until its other end is closed."""
    with contextlib.suppress(OSError):
        while part := os.read(terminal, 65536):
            shown.append(part)
