"""Where the tests' files are kept: in memory where the system has such a folder.

A record waits for the disk at every change, as it should at a bench; tests of it spent half their time so.
"""

import os
import shutil
import tempfile
from pathlib import Path

__all__ = ["keep_files_in_memory"]

IN_MEMORY = Path("/dev/shm")  # on Linux; a file system is all it is used for
ENOUGH_BYTES = 4 * 2**30


def keep_files_in_memory() -> None:
    """Let temporary files be made in memory, here and in child processes; ``TMPDIR`` overrides this."""
    if "TMPDIR" in os.environ or not os.access(IN_MEMORY, os.W_OK | os.X_OK):
        return
    if shutil.disk_usage(IN_MEMORY).free >= ENOUGH_BYTES:
        os.environ["TMPDIR"] = str(IN_MEMORY)
        tempfile.tempdir = None  # found anew from the environment
