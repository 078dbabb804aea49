"""The PostgreSQL server of the tests ends with them, however they end."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from postgres import programs

SCRIPT = """
import sys, threading
sys.path.insert(0, sys.argv[1])
from postgres import running_server
with running_server() as server:
    print(server.folder, (server.folder / "data" / "postmaster.pid").read_text().split()[0], flush=True)
    threading.Event().wait()
"""
LONGEST_S = 60.0

pytestmark = [pytest.mark.slow, pytest.mark.postgresql]  # starts a server


@pytest.mark.skipif(programs() is None, reason="no PostgreSQL server here")
def test_a_server_ends_with_tests_that_are_killed() -> None:
    tests = str(Path(__file__).parents[2])
    with subprocess.Popen(
        [sys.executable, "-c", SCRIPT, tests], stdout=subprocess.PIPE, text=True, stderr=subprocess.DEVNULL
    ) as killed:
        assert killed.stdout is not None
        folder, pid = killed.stdout.readline().split()
        assert Path("/proc", pid).exists() or not Path("/proc/self").exists()
        killed.send_signal(signal.SIGKILL)
    until_s = time.monotonic() + LONGEST_S
    while (Path(folder).exists() or Path("/proc", pid).exists()) and time.monotonic() < until_s:
        time.sleep(0.05)
    assert not Path(folder).exists()
    assert not Path("/proc", pid).exists()
