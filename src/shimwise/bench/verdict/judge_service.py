"""The judge beside the pages: one worker process, so that saving a reading never waits for a verdict.

A prep that changes while it waits is judged once, with its latest state. A worker that died is started again.
After a signature, and at the start, the house learns from its signed preps while no prep waits.
"""

import logging
import threading
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimwise.bench.executors import Pool, executor_of
from shimwise.bench.verdict import judge_worker
from shimwise.bench.verdict.teaching import learn_after_signature
from shimwise.bench.verdict.verdict import judge_question, keep_verdict
from shimwise.errors import ShimwiseError

if TYPE_CHECKING:
    from shimwise.record.record import Record

CALM_S = 0.1
"""The judge begins when nothing was saved for so long: who saves goes first. [s]"""
LONGEST_CALM_S = 0.5
"""After so long it begins though saves still come. [s]"""
MOST_TRIES = 2
"""A prep on which the worker dies this often is reported as a problem."""
STOPPING_S = 5.0
_LOG = logging.getLogger(__name__)
_LEARNING = "the house learns"
"""Stands for the id of a prep while the signed preps teach."""
_BROKEN = (
    "The judge ended without an answer. The readings are kept; change one, or ask for the verdict again."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The result of judging a prep: its revision, and the problem in words (empty: judged and kept)."""

    prep_id: str
    revision: int
    problem: str


class JudgeService:
    """Keeps the verdicts of preps current.

    Parameters
    ----------
    record : Record
        Where preps are read from and verdicts kept.
    on_done : callable, optional
        Called with each judgement, in the service's own thread.
    workers : str
        Who judges (:func:`shimwise.bench.executors.workers_of`); a process of its own by default.
    """

    def __init__(
        self, record: "Record", *, on_done: Callable[[Judgement], None] | None = None, workers: str = ""
    ) -> None:
        self.on_done: Callable[[Judgement], None] | None = on_done
        self._record, self._workers = record, workers
        self._waiting: dict[str, int] = {}
        self._busy = ""
        self._has_to_learn = True
        self._asked_s = float("-inf")
        self._changed = threading.Condition()
        self._is_stopping = False
        self._thread: threading.Thread | None = None
        self._pool: Pool | None = None

    def start(self) -> None:
        """Start the worker and warm it up; returns at once."""
        with self._changed:
            if self._thread is not None:
                return
            self._is_stopping = False
            self._thread = threading.Thread(target=self._run, name="judge", daemon=True)
            self._thread.start()

    def ask(self, prep_id: str) -> None:
        """Queue a prep; one that is queued twice is judged once, with its state when its turn comes."""
        with self._changed:
            self._waiting.setdefault(prep_id, 0)
            self._asked_s = time.monotonic()
            self._changed.notify_all()

    def learn(self) -> None:
        """Let the signed preps teach the house, once no prep waits; returns at once."""
        with self._changed:
            self._has_to_learn = True
            self._changed.notify_all()

    def is_waiting(self, prep_id: str) -> bool:
        """Whether a verdict of this prep is on its way."""
        with self._changed:
            return prep_id in self._waiting or self._busy == prep_id

    def wait(self, timeout_s: float) -> bool:
        """Wait until nothing is left to judge or to learn; False when that took longer."""

        def is_idle() -> bool:
            return not (self._waiting or self._busy or self._has_to_learn)

        with self._changed:
            return self._changed.wait_for(is_idle, timeout_s)

    def stop(self) -> None:
        """End the worker; what waits is judged after the next start, when the prep is opened."""
        with self._changed:
            self._is_stopping = True
            self._changed.notify_all()
            thread = self._thread
        # Waited for: else the interpreter, as it ends, would wake it while it closes its pipe.
        self._end_pool(is_waited_for=True)
        if thread is not None:
            thread.join(STOPPING_S)
        with self._changed:
            self._thread = None

    def _run(self) -> None:
        with suppress(ShimwiseError):  # a cluster that is away is reported with the first prep
            self._executor().submit(judge_worker.warm_up)
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting or self._has_to_learn or self._is_stopping)
                self._let_saves_pass()
                if self._is_stopping:
                    return
                prep_id = next(iter(self._waiting), _LEARNING)
                tries = self._waiting.pop(prep_id, 0)
                self._busy = prep_id
                self._has_to_learn = self._has_to_learn and prep_id != _LEARNING
            try:
                if prep_id == _LEARNING:
                    self._learn()
                else:
                    self._judge(prep_id, tries)
            finally:
                with self._changed:
                    self._busy = ""
                    self._changed.notify_all()

    def _let_saves_pass(self) -> None:
        """Wait while preps still come in: judging shares the processor with those who save."""
        latest_s = time.monotonic() + LONGEST_CALM_S
        while not self._is_stopping:
            left_s = min(self._asked_s + CALM_S, latest_s) - time.monotonic()
            if left_s <= 0:
                return
            self._changed.wait(left_s)

    def _learn(self) -> None:
        try:
            learn_after_signature(self._record)
        except Exception:  # the thread has to live on; the next signature or start makes it good
            if not self._is_stopping:
                _LOG.exception("Learning from the signed preps failed")

    def _judge(self, prep_id: str, tries: int) -> None:
        revision, problem = 0, ""
        try:
            question = judge_question(self._record, prep_id)
            if question is None:
                return
            revision = question.revision
            answer = self._executor().submit(judge_worker.judged, question).result()
            keep_verdict(self._record, question, answer)
        except BrokenExecutor as error:
            self._end_pool()
            if self._is_stopping or self._is_tried_again(prep_id, tries):
                return
            problem = str(error) if isinstance(error, ShimwiseError) else _BROKEN
        except ShimwiseError as error:
            problem = str(error)
        except Exception:  # the thread has to live on, and the fault to be reported
            if self._is_stopping:
                return
            _LOG.exception("Judging the prep %s failed", prep_id)
            problem = _BROKEN
        if self.on_done is not None:
            self.on_done(Judgement(prep_id=prep_id, revision=revision, problem=problem))

    def _is_tried_again(self, prep_id: str, tries: int) -> bool:
        if tries + 1 >= MOST_TRIES:
            return False
        with self._changed:
            self._waiting.setdefault(prep_id, tries + 1)
        return True

    def _executor(self) -> Pool:
        if self._pool is None:
            self._pool = executor_of(self._workers, most=1)
        return self._pool

    def _end_pool(self, *, is_waited_for: bool = False) -> None:
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=is_waited_for, cancel_futures=True)
