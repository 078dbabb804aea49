"""How the command line is left: an exit code, and one sentence where it is not left by its end."""

import errno
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, suppress
from typing import IO

import typer

from shimwise.cli.commands import command_line
from shimwise.cli.usage import UsageError, usage_sentence
from shimwise.errors import ShimwiseError

__all__ = ["exit_code", "silence"]

BAD_INPUT = 2
MACHINE = 3
"""Exit code for what the machine could not do: no room, no right to write, a record held by another."""
STOPPED = 130
"""Exit code after Ctrl-C, as shells have it."""
NOBODY_READS = 141
"""Exit code when whoever read the output has left, as shells have it for a program that SIGPIPE ends."""
_STOPPED = "stopped. What was finished before is kept, and nothing by half."
_REPORT = "Please report it with the lines above."
_NO_MEMORY = "There is not enough memory for that. Close other programs, or give it less at once."
_OF_MACHINE = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.ENOMEM, errno.EMFILE, errno.ENFILE}
"""Errors of files that no other name on the same disk would mend."""


def exit_code(words: Sequence[str], loading: Callable[[], AbstractContextManager[None]]) -> int:
    """Run a command; return its exit code once all that it printed is written.

    Parameters
    ----------
    words
        The words after ``shimwise``.
    loading
        Gives the context in which the command's modules are loaded.
    """
    code = _code_of(lambda: _invoked(words, loading))
    return _code_of(_flushed) or code


def _invoked(words: Sequence[str], loading: Callable[[], AbstractContextManager[None]]) -> int:
    with loading():
        wanted = next((word for word in words if not word.startswith("-")), None)
        command = command_line(wanted)
    try:
        with command.make_context("shimwise", list(words)) as context:
            command.invoke(context)
    except typer.Exit as left:
        return left.exit_code
    except UsageError as error:
        return _printed(usage_sentence(error, words), BAD_INPUT)
    return 0


def _flushed() -> int:
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            stream.flush()
    return 0


def _code_of(step: Callable[[], int]) -> int:
    """Return what a step returns, or the code of what ended it, which is put into a sentence."""
    try:
        return step()
    except BrokenPipeError:
        silence(sys.stdout)
        return NOBODY_READS
    except ShimwiseError as error:
        return _printed(f"shimwise: {error.in_full}", MACHINE if _is_of_machine(error) else BAD_INPUT)
    except (KeyboardInterrupt, typer.Abort):
        start = "\n" if sys.stderr is not None and sys.stderr.isatty() else ""  # after ^C, or a question
        return _printed(f"{start}shimwise: {_STOPPED}", STOPPED)
    except Exception as error:
        return _printed(_failure(error), MACHINE)


def _failure(error: Exception) -> str:
    """Return the message of an error that is no refusal of Shimwise."""
    if isinstance(error, OSError):
        silence(sys.stdout)
        what = f"{error.filename} cannot be used" if error.filename else "The output cannot be written"
        return f"shimwise: {what}: {error.strerror or error}."
    if isinstance(error, MemoryError):
        return f"shimwise: {_NO_MEMORY}"
    return f"{traceback.format_exc()}shimwise: that is a fault of the program. {_REPORT}"


def _is_of_machine(error: BaseException | None) -> bool:
    """Return whether an error, or what caused it, is the machine's and no slip of a person."""
    while error is not None:
        if isinstance(error, ShimwiseError) and error.is_of_machine:
            return True
        if isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno in _OF_MACHINE):
            return True
        error = error.__cause__
    return False


def _printed(text: str, code: int) -> int:
    try:
        print(text, file=sys.stderr, flush=True)
    except OSError:
        silence(sys.stderr)
    return code


def silence(stream: IO[str] | None) -> None:
    """Send elsewhere what a stream still holds, so that the interpreter's own flush at its end succeeds."""
    with suppress(OSError, ValueError, AttributeError):
        if stream is not None:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
            stream.flush()
