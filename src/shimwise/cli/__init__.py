"""The command line: a thin door.

Nothing is imported here but what every interpreter has loaded: until the door has set what Ctrl-C does, it
would end in a traceback.
"""

from __future__ import annotations

import _signal  # type: ignore[import-not-found]  # of signal, without its enumerations
import os
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence

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
    with EndedAtOnce():
        words = sys.argv[1:] if arguments is None else list(arguments)
        for name, count in ONE_THREAD.items():
            os.environ.setdefault(name, count)  # read when numpy is loaded, with the command
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="replace")
        from shimwise.cli.leaving import exit_code
    code = exit_code(words, EndedAtOnce)
    is_heard = _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler
    if arguments is None and is_heard:  # the process ends: what is left is the interpreter's own
        _signal.signal(_signal.SIGINT, _signal.SIG_DFL)
    raise SystemExit(code)


class EndedAtOnce:
    """Lets Ctrl-C end the process with one sentence while modules load: nothing is begun yet.

    An exception would surface in the middle of an import, where libraries print it or take it for another.
    """

    def __enter__(self) -> None:
        self.is_ours = _signal.getsignal(_signal.SIGINT) is _signal.default_int_handler
        try:
            if self.is_ours:
                _signal.signal(_signal.SIGINT, _end_at_once)
        except ValueError:  # in another thread than the main one, which hears of no signal
            self.is_ours = False

    def __exit__(self, *_: object) -> None:
        if self.is_ours:
            _signal.signal(_signal.SIGINT, _signal.default_int_handler)


def _end_at_once(_number: int, _frame: object) -> None:
    os.write(2, b"\nshimwise: stopped before it began.\n")
    os._exit(STOPPED)
