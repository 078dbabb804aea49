"""Papers that are sent to be checked: few at a time, and none that waits holds a thread that pages need."""

from collections.abc import Callable
from functools import partial

from anyio import CapacityLimiter
from anyio.to_thread import run_sync

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.sign import papers
from shimwise.bench.sign.signed import recorded
from shimwise.bench.sign.verifier import Verifier
from shimwise.bench.workers import MOST_AT_ONCE, WorkersBusy

MOST_WAITING = 100


class Verifying:
    """Checks papers one after the other.

    Parameters
    ----------
    verifier : Verifier, optional
        Checks each in a process of its own; without it each is checked in this one.
    """

    def __init__(self, verifier: Verifier | None = None) -> None:
        self.verifier = verifier
        self._places = CapacityLimiter(MOST_AT_ONCE)
        self._count = 0

    async def findings(self, record: Record, paper: Callable[[], bytes]) -> tuple[papers.Finding, ...]:
        """Return what is found of the paper that ``paper`` returns, which is called in a worker's thread.

        Raises
        ------
        WorkersBusy
            If as many wait already as are taken.
        ShimwiseError
            As :meth:`shimwise.bench.sign.verifier.Verifier.find`.
        """
        if self._count >= MOST_WAITING:
            raise WorkersBusy(f"{MOST_WAITING} papers wait to be checked already. Send this one in a minute.")
        self._count += 1
        try:
            return await run_sync(partial(self._found, record, paper), limiter=self._places)
        finally:
            self._count -= 1

    def _found(self, record: Record, paper: Callable[[], bytes]) -> tuple[papers.Finding, ...]:
        data = paper()
        if self.verifier is not None:
            return self.verifier.find(record, data)
        return papers.verify_paper(data, recorded=recorded(record))
