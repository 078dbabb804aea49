"""The door itself: what it sets before a command is loaded."""

import os
import subprocess
import sys

import pytest

SCRIPT = """
import os, sys
from shimwise.cli import main
assert "numpy" not in sys.modules, "too late to set threads"
try:
    main(["--version"])
except SystemExit:
    print(os.environ["OPENBLAS_NUM_THREADS"])
"""


@pytest.mark.parametrize(("asked", "used"), [(None, "1"), ("4", "4")])
def test_small_matrices_are_reckoned_in_one_thread_unless_asked_otherwise(
    asked: str | None, used: str
) -> None:
    # Found on 100,000 readings of 20 bodies, 30 lenses: 83 s of two cores with threads, 8 s of one without.
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    if asked is not None:
        environment["OPENBLAS_NUM_THREADS"] = asked
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout.split()[-1] == used
