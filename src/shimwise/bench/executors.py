"""Where heavy work is done: in processes of this machine, or on the workers of a cluster."""

import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from itertools import islice
from queue import Empty, SimpleQueue
from typing import Any, Generic, TypeAlias, TypeVar

from shimwise.bench.cluster import ClusterError, ClusterGone, ClusterPool, WorkerDied, checked_address
from shimwise.bench.workers import NICENESS
from shimwise.errors import ShimwiseError

WORKERS = "SHIMWISE_WORKERS"
"""The variable that names the workers where no option does."""
MOST_HERE = 64
MOST_TRIES = 3
"""A task in whose company a process ended so often is given up."""
PATIENCE_S = 120.0
"""So long a scheduler that is gone, or has no worker left, is waited for. [s]"""
LOOK_S = 2.0
_ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
"""Matrices are small: threads cost more than they bring."""
Item = TypeVar("Item")
Result = TypeVar("Result")
OnWait = Callable[[str], None]


class LocalPool(ProcessPoolExecutor):
    """Processes of this machine, started when first needed, which end with the one that started them."""

    def __init__(self, most: int) -> None:
        super().__init__(most, mp_context=multiprocessing.get_context("spawn"), initializer=begin)
        self.window = most
        """So many tasks are handed out at once: of one that ends its process no others suffer."""

    def has_workers(self) -> bool:
        """Whether a worker is there: they are started as needed."""
        return True

    def end(self) -> None:
        """End at once, whatever is under way."""
        processes = list((self._processes or {}).values())
        self.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()


Pool: TypeAlias = LocalPool | ClusterPool


def workers_of(given: str | None) -> str:
    """Return what does heavy work, as given or as the variable SHIMWISE_WORKERS has it; empty: this machine.

    Raises
    ------
    ClusterError
        If it is neither a number of processes nor the address of a scheduler that may be asked.
    """
    workers = (os.environ.get(WORKERS, "") if given is None else given).strip()
    if workers.isdecimal():
        if not 1 <= int(workers) <= MOST_HERE:
            raise ClusterError(f"{workers} processes are none to start; give 1 to {MOST_HERE}.")
        return workers
    return checked_address(workers) if workers else ""


def executor_of(workers: str = "", *, most: int | None = None) -> Pool:
    """Return an executor, to be used as a context or shut down.

    Parameters
    ----------
    workers : str
        As :func:`workers_of` returns it.
    most : int, optional
        Processes of this machine, where their number is not in ``workers``; one a core when not given.

    Raises
    ------
    ClusterError, ClusterGone, MissingExtraError
        As :class:`shimwise.bench.cluster.ClusterPool`.
    """
    if not workers or workers.isdecimal():
        return LocalPool(int(workers or 0) or most or cores())
    return ClusterPool(workers)


def cores() -> int:
    """Return the number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def begin() -> None:
    """Lower the priority of a process of the pool, and end it with its parent, however that ends."""
    os.environ.update(_ONE_THREAD)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    threading.Thread(target=_end_with_parent, daemon=True).start()


@dataclass(frozen=True, slots=True)
class Outcome(Generic[Result]):
    """What came of the item at a place: its result, or the problem in words; ``is_fault``: of the program."""

    place: int
    result: Result | None = None
    problem: str = ""
    is_fault: bool = False


def each_done(
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: str = "",
    most: int | None = None,
    on_wait: OnWait | None = None,
) -> Generator[Outcome[Result]]:
    """Apply a function to every item, and return each outcome once, as soon as it is there.

    Parameters
    ----------
    function : callable
        One that another process can import. What it raises is the item's problem.
    items : sequence
        Each as another process can read it.
    workers, most
        As for :func:`executor_of`.
    on_wait : callable, optional
        Called with a sentence when the waiting begins.

    Raises
    ------
    ClusterError, ClusterGone, MissingExtraError
        As :func:`executor_of`; ClusterGone also after ``PATIENCE_S`` without it.
        What was returned before counts.
    """
    work = _Work(function, items, on_wait or (lambda _: None))
    while work.todo:
        pool = work.connected(partial(executor_of, workers, most=most))
        try:
            yield from work.done_by(pool)
        except ClusterGone as gone:
            pool.end()
            work.lost(gone)
        except BrokenExecutor:
            pool.end()
            yield from work.given_up()
        except BaseException:
            pool.end()
            raise
        else:
            pool.shutdown()


def mapped(
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: str = "",
    most: int | None = None,
    on_wait: OnWait | None = None,
) -> Iterator[Result]:
    """Yield the result of every item in their order, as the parts of one thing that needs all of them.

    Raises
    ------
    ShimwiseError
        The first problem of an item.
    RuntimeError
        With the trace, where it is a fault of the program.
    ClusterError, ClusterGone, MissingExtraError
        As :func:`each_done`.
    """
    early: dict[int, Any] = {}
    place = 0
    with closing(each_done(function, items, workers=workers, most=most, on_wait=on_wait)) as outcomes:
        for one in outcomes:
            if one.problem:
                raise RuntimeError(one.problem) if one.is_fault else ShimwiseError(one.problem)
            early[one.place] = one.result
            while place in early:
                yield early.pop(place)
                place += 1


class _Work(Generic[Item, Result]):
    """What is left to do, and how often each item was under way when a process ended."""

    def __init__(self, function: Callable[[Item], Result], items: Sequence[Item], on_wait: OnWait) -> None:
        self.function, self.items, self.on_wait = function, items, on_wait
        self.todo = deque(range(len(items)))
        self.under_way: dict[Future[Outcome[Result]], int] = {}
        self.tries: Counter[int] = Counter()
        self.gone_at_s: float | None = None

    def connected(self, connect: Callable[[], Pool]) -> Pool:
        """Connect; once it was lost, with patience."""
        while True:
            try:
                return connect()
            except ClusterGone as gone:
                if self.gone_at_s is None:  # it was never there: most likely a slip in its address
                    raise
                self.lost(gone)
                time.sleep(LOOK_S)

    def lost(self, gone: ClusterGone) -> None:
        """Put back what was under way; raise what is gone when the patience is over."""
        self.put_back()
        self._wait(f"{str(gone).split('. ')[0]}. It is waited for", gone)

    def _wait(self, words: str, gone: ClusterGone) -> None:
        """Report once that something is waited for; raise what is gone when the patience is over."""
        if self.gone_at_s is None:
            self.gone_at_s = time.monotonic()
            self.on_wait(f"{words}, up to {PATIENCE_S:g} s.")
        if time.monotonic() - self.gone_at_s > PATIENCE_S:
            raise gone

    def put_back(self) -> None:
        self.todo.extendleft(sorted(self.under_way.values(), reverse=True))
        self.under_way.clear()

    def given_up(self) -> Iterator[Outcome[Result]]:
        """Put back what was under way when a process ended, unless that was once too often."""
        for place in self.under_way.values():
            self.tries[place] += 1
        self.put_back()
        for place in [place for place in self.todo if self.tries[place] >= MOST_TRIES]:
            self.todo.remove(place)
            words = "Its process ended without an answer, several times. Its memory may have been too small."
            yield Outcome(place, problem=words)

    def done_by(self, pool: Pool) -> Iterator[Outcome[Result]]:
        ended: SimpleQueue[Future[Outcome[Result]]] = SimpleQueue()
        while self.todo or self.under_way:
            while self.todo and len(self.under_way) < self._most_at_once(pool):
                place = self.todo[0]
                future = pool.submit(_outcome, self.function, place, self.items[place])
                self.under_way[future] = self.todo.popleft()
                future.add_done_callback(ended.put)
            try:
                future = ended.get(timeout=LOOK_S)
            except Empty:
                self._look_for_workers(pool)
                continue
            try:
                outcome = future.result()
            except WorkerDied as error:
                outcome = Outcome(self.under_way[future], problem=str(error))
            del self.under_way[future]
            self.gone_at_s = None
            yield outcome

    def _most_at_once(self, pool: Pool) -> int:
        """Return how many tasks go out; what was near an ended process twice goes alone, to be sure of it."""
        near = (*self.under_way.values(), *islice(self.todo, 1))
        return 1 if any(self.tries[place] >= MOST_TRIES - 1 for place in near) else pool.window

    def _look_for_workers(self, pool: Pool) -> None:
        if not pool.has_workers():
            lost = (
                "No worker is left. What was done is kept; start one, then try again: it goes on from there."
            )
            self._wait("No worker is left. One is waited for", ClusterGone(lost))


def _outcome(function: Callable[[Any], Any], place: int, item: object) -> Outcome[Any]:
    """Run the function in the worker; what it raises comes back as words, which every process can read."""
    try:
        return Outcome(place, function(item))
    except ShimwiseError as error:
        return Outcome(place, problem=str(error))
    except MemoryError:
        return Outcome(place, problem="There is not enough memory for that.")
    except Exception:  # a fault of the program, to be shown where it is waited for
        return Outcome(place, problem=traceback.format_exc(), is_fault=True)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)
