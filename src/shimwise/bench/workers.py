"""Work on what strangers send, in processes of its own: few at a time, each bounded in time and memory.

A file made to keep a library busy, or to fill the memory, ends its worker and nothing else. Where the system
has no limit of memory to set (RLIMIT_DATA, Linux), the worker looks at its own and ends itself.
"""

import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection as Pipe
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

from shimwise.errors import ShimwiseError

MOST_AT_ONCE = 2
PATIENCE_S = 60.0
MOST_BYTES = 2 * 1024**3
NICENESS = 5
"""The pages go first."""
REST_S = 300.0
"""A worker that nobody needs for so long ends."""
LOOK_S = 0.1
OUT_OF_MEMORY = 77
"""Exit code of a worker that ended itself for that."""
Result = TypeVar("Result")
Ask = Callable[[Any], Any]


class TooMuchWork(ShimwiseError):  # noqa: N818 - a sentence reads better by what happened
    """Raised when work took too long, or more memory than is given, or its process died of it."""


class WorkersBusy(ShimwiseError):  # noqa: N818
    """Raised when so much waits already that no more is taken."""

    is_of_machine = True


class Workers:
    """Runs functions in processes of their own, which are started when first needed.

    Parameters
    ----------
    most : int
        Of them at once; further calls wait.
    patience_s : float
        Of each call. [s]
    most_bytes : int
        Memory of each process. [bytes]
    what : str
        What is done, as a sentence begins: ``Checking this``.
    """

    def __init__(
        self,
        *,
        what: str,
        most: int = MOST_AT_ONCE,
        patience_s: float = PATIENCE_S,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self.what, self.most, self.patience_s, self.most_bytes = what, most, patience_s, most_bytes
        self._places = threading.Semaphore(most)
        self._lock = threading.Lock()
        self._resting: list[_Worker] = []
        self._is_stopped = False

    def run(self, function: Callable[..., Result], *arguments: object, answer: Ask | None = None) -> Result:
        """Run ``function(ask, *arguments)`` in a worker, and return what it returns.

        Parameters
        ----------
        function : callable
            One that another process can import. What it calls ``ask`` with, ``answer`` is called with here.
        answer : callable, optional
            What it raises ends the work, and is raised.

        Raises
        ------
        TooMuchWork
            If it takes too long, or too much memory.
        ShimwiseError
            What the function raises; its text alone where its kind cannot be sent.
        RuntimeError
            With the trace, where it fails otherwise.
        """
        with self._places:
            worker = self._taken()
            is_whole = False
            try:
                found = worker.result(function, arguments, answer, self.patience_s)
                is_whole = True
            except _OutOfTimeError:
                raise TooMuchWork(
                    f"{self.what} took more than {self.patience_s:g} s and was ended. Give a smaller file, "
                    "or one that is not damaged."
                ) from None
            except _OutOfMemoryError:
                raise TooMuchWork(
                    f"{self.what} took more than {self.most_bytes / 1024**3:g} GB of memory and was ended. "
                    "Give a smaller file, or one that is not damaged."
                ) from None
            except _GoneError:
                raise TooMuchWork(
                    f"{self.what} ended without an answer. Try it again; where that is the same, the file is "
                    "damaged."
                ) from None
            except _RefusedError as refused:
                is_whole = True
                raise refused.error from None
            finally:
                self._put_back(worker, is_whole=is_whole)
        return found  # type: ignore[no-any-return]

    def stop(self) -> None:
        """End the workers that rest, and each that works once it is done."""
        with self._lock:
            self._is_stopped = True
            resting, self._resting = self._resting, []
        for worker in resting:
            worker.end()

    def _taken(self) -> "_Worker":
        with self._lock:
            self._is_stopped = False
            worker = self._resting.pop() if self._resting else None
        if worker is None or not worker.is_alive:
            return _Worker(self.most_bytes)
        return worker

    def _put_back(self, worker: "_Worker", *, is_whole: bool) -> None:
        with self._lock:
            if is_whole and not self._is_stopped:
                worker.rested_at_s = time.monotonic()
                self._resting.append(worker)
                ender = threading.Timer(REST_S, self._end_rested)
                ender.daemon = True
                ender.start()
                return
        worker.end()

    def _end_rested(self) -> None:
        with self._lock:
            long_ago_s = time.monotonic() - REST_S
            ended = [one for one in self._resting if one.rested_at_s <= long_ago_s]
            self._resting = [one for one in self._resting if one not in ended]
        for worker in ended:
            worker.end()


class _OutOfTimeError(Exception):
    """Raised when a worker has not answered in time."""


class _OutOfMemoryError(Exception):
    """Raised when a worker had no memory left."""


class _GoneError(Exception):
    """Raised when a worker's process has ended."""


class _RefusedError(Exception):
    """Carries what the function raised."""

    def __init__(self, error: Exception) -> None:
        super().__init__()
        self.error = error


class _Worker:
    """One process, and the pipe to it."""

    def __init__(self, most_bytes: int) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process: BaseProcess = context.Process(target=_work, args=(theirs, most_bytes), daemon=True)
        self._process.start()
        theirs.close()
        self.rested_at_s = 0.0

    @property
    def is_alive(self) -> bool:
        return self._process.is_alive()

    def result(
        self,
        function: Callable[..., Any],
        arguments: tuple[object, ...],
        answer: Ask | None,
        patience_s: float,
    ) -> Any:  # noqa: ANN401 - whatever the function returns
        until_s = time.monotonic() + patience_s
        self._pipe.send((function, arguments))
        while True:
            if not self._pipe.poll(max(0.0, until_s - time.monotonic())):
                raise _OutOfTimeError
            try:
                kind, value = self._pipe.recv()
            except (EOFError, OSError):
                self._process.join(1.0)
                is_full = self._process.exitcode == OUT_OF_MEMORY
                raise (_OutOfMemoryError if is_full else _GoneError) from None
            if kind == "asked":
                self._pipe.send(None if answer is None else answer(value))
            elif kind == "done":
                return value
            elif kind == "memory":
                raise _OutOfMemoryError
            elif kind == "fault":
                raise _RefusedError(RuntimeError(f"A worker failed:\n{value}"))
            else:
                raise _RefusedError(value)

    def end(self) -> None:
        self._process.kill()
        self._process.join(5.0)
        self._pipe.close()


def _work(pipe: Pipe, most_bytes: int) -> None:
    """Do in this process what comes by the pipe, one after the other, until that is closed."""
    begin_bounded(most_bytes)

    def ask(value: object) -> Any:  # noqa: ANN401 - whatever is answered
        pipe.send(("asked", value))
        return pipe.recv()

    with suppress(EOFError, OSError):  # nobody is there any more
        while True:
            function, arguments = pipe.recv()
            try:
                outcome = ("done", function(ask, *arguments))
            except ShimwiseError as error:
                outcome = ("refused", _sendable(error))
            except MemoryError:
                outcome = ("memory", None)
            except Exception:  # a fault of the program, to be shown where it is waited for
                outcome = ("fault", traceback.format_exc())
            pipe.send(outcome)


def _sendable(error: ShimwiseError) -> ShimwiseError:
    """Return an error as another process can read it: of its kind, or at least with its words."""
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 - made a moment ago
    except Exception:  # an error with arguments of its own
        return ShimwiseError(str(error))
    return error


def begin_bounded(most_bytes: int) -> None:
    """Begin a process for what strangers send: its memory limited, the pages first, ended by its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    limit_memory(most_bytes)
    if hasattr(os, "nice"):
        os.nice(NICENESS)


def limit_memory(most_bytes: int) -> None:
    """Limit this process's own memory: beyond it MemoryError, or its end."""
    try:
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = most_bytes if hard == resource.RLIM_INFINITY else min(most_bytes, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
        is_kept = sys.platform == "linux"  # elsewhere the limit is not kept, or of something else
    except (ImportError, AttributeError, OSError, ValueError):
        is_kept = False
    if not is_kept:
        threading.Thread(target=_end_beyond, args=(most_bytes,), daemon=True).start()


def _end_beyond(most_bytes: int) -> None:
    """End this process once it has held more than that; if memory cannot be read, only time is limited."""
    with suppress(ImportError):
        import resource

        unit_bytes = 1 if sys.platform == "darwin" else 1024
        while resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit_bytes <= most_bytes:
            time.sleep(LOOK_S)
        os._exit(OUT_OF_MEMORY)
