"""A run of tests that is ended in the middle leaves no server or browser running."""

import os
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from child_process import SETPRIV, is_running

TESTS = Path(__file__).parents[1]
PATIENCE_S = 180.0
ONE_TEST = """
import subprocess
import sys
import time

from browser_bench import CHROMIUM, FLAGS
from playwright.sync_api import sync_playwright

from child_process import ends_with_the_tests


def test_of_all_that_is_started():
    with subprocess.Popen(ends_with_the_tests(sys.executable, "-c", "import time; time.sleep(600)")):
        with sync_playwright() as play:
            if CHROMIUM.exists():
                play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            print("all is started", flush=True)
            time.sleep(600)
"""


def _children(pid: int) -> set[int]:
    """Return the processes that a process has started, and theirs."""
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(FileNotFoundError, ProcessLookupError):
            parents[int(stat.parent.name)] = int(stat.read_text().rpartition(")")[2].split()[1])
    found, new = set[int](), {pid}
    while new:
        new = {child for child, parent in parents.items() if parent in new}
        found |= new
    return found


def _start(folder: Path) -> "subprocess.Popen[str]":
    """Start a run of one test, and wait until all that it needs is running."""
    (folder / "test_one.py").write_text(ONE_TEST, encoding="utf-8")
    words = ("-n", "0", "-s", "-c", os.devnull, "-p", "no:cacheprovider", str(folder / "test_one.py"))
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", *words],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(map(str, (TESTS, TESTS / "browser")))},
        cwd=folder,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if line.rstrip().endswith("all is started"):
            return process
    raise AssertionError("".join(lines))


def _command(pid: int) -> str:
    with suppress(FileNotFoundError):
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    return ""


@pytest.mark.slow
@pytest.mark.skipif(SETPRIV is None, reason="only Linux ends children with their parent")
def test_nothing_it_started_is_left_running(tmp_path: Path) -> None:
    with _start(tmp_path) as process:
        started = _children(process.pid)
        process.kill()  # the hardest: nothing of its own can clean up
        process.wait(PATIENCE_S)
    assert started
    until = time.monotonic() + PATIENCE_S
    while left := [pid for pid in started if is_running(pid)]:
        assert time.monotonic() < until, [_command(pid) for pid in left]
        time.sleep(0.05)
