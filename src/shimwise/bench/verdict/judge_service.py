"""The judge beside the pages: one worker process, so that saving a reading never waits for a verdict.

What is asked for is a job of the record (:mod:`shimwise.bench.jobs.line`), done by whichever server is free:
a prep that changes while it waits is judged once, with its latest state. After a signature, and at the start,
the house learns from its signed preps while no prep waits.
"""

from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from contextlib import suppress
from typing import Any

from shimwise.bench.executors import Pool, executor_of
from shimwise.bench.jobs.line import HeldJob, JobLine
from shimwise.bench.jobs.views import JobView, view_of
from shimwise.bench.verdict import judge_worker
from shimwise.bench.verdict.judge_input import Question
from shimwise.bench.verdict.teaching import learn_if_due
from shimwise.bench.verdict.verdict import judge_question, keep_verdict
from shimwise.errors import InferenceError, ShimwiseError
from shimwise.record.journal import last_seq
from shimwise.record.queries import jobs
from shimwise.record.record import Record
from shimwise.record.tables.rows import JobRow

MOST_DEATHS = 2
"""A prep on which the worker dies this often is reported as a problem."""
LOOKED_BACK = 1000
"""So many lines of the journal are looked at, at the start, for preps that nobody judged."""
_BROKEN = (
    "The judge ended without an answer. The readings are kept; change one, or ask for the verdict again."
)


class JudgeService:
    """Keeps the verdicts of preps current.

    Parameters
    ----------
    record : Record
        Where preps are read from and verdicts kept.
    on_done : callable, optional
        Called with each job that ended here, in the service's own thread.
    workers : str
        Who judges (:func:`shimwise.bench.executors.workers_of`); a process of its own by default.
    """

    def __init__(
        self, record: Record, *, on_done: Callable[[JobView], None] = lambda _: None, workers: str = ""
    ) -> None:
        self._record, self._workers = record, workers
        self._line = JobLine(
            record,
            (jobs.VERDICT, jobs.LEARN),
            self._work,
            fault=_BROKEN,
            on_ended=lambda row: on_done(view_of(row)),
            begin=self._warm_up,
            tidy=self._tidy,
        )
        self._looked_at: tuple[int, int] | None = None
        self._pool: Pool | None = None

    def start(self) -> None:
        """Start the worker and warm it up; returns at once."""
        self.learn()
        self._line.start()

    def ask(self, prep_id: str) -> None:
        """Queue a prep to be judged; one that waits is judged once, in its state at its turn."""
        self._line.put(_job(jobs.VERDICT, prep_id))

    def learn(self) -> None:
        """Let the signed preps teach the house, once no prep waits; returns at once."""
        self._line.put(_job(jobs.LEARN))

    def is_waiting(self, prep_id: str) -> bool:
        """Whether a verdict of this prep is on its way."""
        return self._line.is_open(_job(jobs.VERDICT, prep_id).id)

    def wait(self, timeout_s: float) -> bool:
        """Wait until nothing is left to judge or to learn here; False when that took longer."""
        return self._line.wait(timeout_s)

    def stop(self) -> None:
        """End the worker; what waits is judged by another server, or after the next start."""
        self._line.end_soon()
        # Waited for: else the interpreter, as it ends, would wake it while it closes its pipe.
        self._end_pool(is_waited_for=True)
        self._line.stop()

    def _warm_up(self) -> None:
        # A cluster that is away is reported with the first prep. To start a process flushes what is printed,
        # which a full disk refuses: the command ends by that itself.
        with suppress(ShimwiseError, OSError):
            self._executor().submit(judge_worker.warm_up)

    def _work(self, held: HeldJob) -> None:
        if held.job.kind == jobs.LEARN:
            learn_if_due(self._record, fence=held.done)
            return
        question = judge_question(self._record, held.job.prep_id or "")
        if question is not None:
            keep_verdict(self._record, question, self._answer(question), fence=held.done)

    def _answer(self, question: Question) -> dict[str, Any]:
        problem: ShimwiseError = InferenceError(_BROKEN)
        for _ in range(MOST_DEATHS):
            try:
                return self._executor().submit(judge_worker.judged, question).result()
            except BrokenExecutor as error:
                self._end_pool()
                if self._line.is_stopping:
                    raise
                if isinstance(error, ShimwiseError):
                    problem = error  # the scheduler of a cluster is gone
        raise problem

    def _tidy(self) -> None:
        """Ask for preps whose server died before it could, and forget old jobs.

        A line of the journal is looked at one round after it was first seen: the server that wrote it asks
        in a moment.
        """
        with self._record.reading() as connection:
            newest = last_seq(connection)
            after, upto = self._looked_at or (0, newest)
            behind = jobs.preps_behind(connection, after=max(after, upto - LOOKED_BACK), upto=upto)
        self._looked_at = (upto, newest)
        for prep_id in behind:
            self.ask(prep_id)
        with self._record.working() as connection:
            jobs.prune(connection)

    def _executor(self) -> Pool:
        if self._pool is None:
            self._pool = executor_of(self._workers, most=1)
        return self._pool

    def _end_pool(self, *, is_waited_for: bool = False) -> None:
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=is_waited_for, cancel_futures=True)


def _job(kind: str, prep_id: str | None = None) -> JobRow:
    return jobs.new_job(kind, prep_id or "", prep_id=prep_id)
