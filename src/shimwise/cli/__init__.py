"""The command line: a thin door."""

import os
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

__all__ = ["main"]

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""The matrices are small: threads would wait for each other several times longer than they compute."""
STOPPED = 130
"""Exit code after Ctrl-C, as shells have it."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    0 done, 1 judged and not all is well, 2 bad input, 3 what the machine could not do, 130 broken off.

    Parameters
    ----------
    arguments
        The words after ``shimwise``; those of the process by default.

    Raises
    ------
    SystemExit
        Always, with the exit code. A refusal is one message on standard error.
    """
    with ended_at_once():
        words = sys.argv[1:] if arguments is None else list(arguments)
        for name, count in ONE_THREAD.items():
            os.environ.setdefault(name, count)  # read when numpy is loaded, with the command
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")
        from shimwise.cli.leaving import exit_code
    raise SystemExit(exit_code(words, ended_at_once))


@contextmanager
def ended_at_once() -> Iterator[None]:
    """Let Ctrl-C end the process with one sentence while modules load: nothing is begun yet.

    An exception would surface in the middle of an import, where libraries print it or take it for another.
    """
    is_ours = (
        threading.current_thread() is threading.main_thread()
        and signal.getsignal(signal.SIGINT) is signal.default_int_handler
    )
    if is_ours:
        signal.signal(signal.SIGINT, _end_at_once)
    try:
        yield
    finally:
        if is_ours:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _end_at_once(_number: int, _frame: FrameType | None) -> None:
    os.write(2, b"\nshimwise: stopped before it began.\n")
    os._exit(STOPPED)
