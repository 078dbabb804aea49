"""Checks papers that anybody may send, in processes that are bounded in time and memory."""

from shimwise.bench.sign.papers import Finding, verify_paper
from shimwise.bench.sign.signed import recorded
from shimwise.bench.workers import Ask, Workers
from shimwise.record.record import Record


class Verifier:
    """Workers that check papers; started when first needed, ended by :meth:`stop`."""

    def __init__(self) -> None:
        self._workers = Workers(what="Checking this paper")

    def start(self) -> None:
        """Do nothing yet: what nobody needs takes no memory."""

    def stop(self) -> None:
        """End the workers."""
        self._workers.stop()

    def find(self, record: Record, data: bytes) -> tuple[Finding, ...]:
        """Check a paper; as :func:`shimwise.bench.sign.papers.verify_paper`.

        Raises
        ------
        TooMuchWork
            If it takes too long, or too much memory.
        """
        return self._workers.run(_found, data, answer=recorded(record))


def _found(ask: Ask, data: bytes) -> tuple[Finding, ...]:
    return verify_paper(data, recorded=ask)
