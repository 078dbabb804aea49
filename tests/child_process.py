"""Programs that tests start. They end with the process that runs the tests, however that ends."""

import shutil
import signal
from pathlib import Path

__all__ = ["ends_with_the_tests", "is_running"]

SETPRIV = shutil.which("setpriv")
"""Of util-linux: runs a program that the kernel signals when its parent is gone. None where there is none."""


def ends_with_the_tests(*command: str | Path, sign: signal.Signals = signal.SIGTERM) -> list[str]:
    """Return the command line of a program that is sent ``sign`` when the process that starts it is gone.

    ``setpriv`` becomes the program, so the process number is the program's own. Without ``setpriv`` (not
    Linux) the command is returned as it is.
    """
    words = [str(word) for word in command]
    return words if SETPRIV is None else [SETPRIV, "--pdeathsig", sign.name.removeprefix("SIG"), "--", *words]


def is_running(pid: int) -> bool:
    """Return whether a process has this number and is not a dead one that nobody waited for."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"
