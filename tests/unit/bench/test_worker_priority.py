"""The workers begin on a system without ``os.nice``, such as Windows."""

import subprocess
import sys

import pytest

POOL = """
import os
del os.nice
from shimwise.bench.executors import begin
begin()
print("begun")
"""
SWEEP = """
import os
del os.nice
from shimwise.bench.sweep import jobs
jobs.measured_document = lambda task, *, progress: {"schema": "a result"}
class Out:
    send = staticmethod(lambda message: print("begun" if message[0] == "done" else message))
    close = staticmethod(lambda: None)
jobs._measure(None, Out())
"""


@pytest.mark.parametrize("script", [POOL, SWEEP], ids=["pool", "sweep"])
def test_a_worker_begins_where_there_is_no_priority_to_give(script: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", script], check=False, capture_output=True, text=True, timeout=120
    )
    assert (done.stdout, done.stderr) == ("begun\n", "")
