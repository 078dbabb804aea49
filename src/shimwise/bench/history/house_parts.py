"""The signed preps of a house, read side by side: most of the time that a large house takes.

What follows, one posterior of all units, is one piece: its rounds would send all readings to and fro.
"""

from functools import partial
from typing import TYPE_CHECKING

from shimwise.bench.cluster import ClusterError
from shimwise.bench.desk.inputs import Progress
from shimwise.bench.executors import OnWait, mapped
from shimwise.bench.verdict.teaching import preps_read
from shimwise.record.queries import lookups
from shimwise.record.record import Record

if TYPE_CHECKING:
    from shimwise.inference.house.readings import SignedPrep

READING = "Reading the signed preps"
PART = 50
"""Preps that one worker reads at a time."""
FEWEST = 400
"""Below, one process is sooner done than others are started; chosen by measuring."""


def all_signed_preps(
    record: Record, *, workers: str = "", progress: Progress | None = None, on_wait: OnWait | None = None
) -> "tuple[SignedPrep, ...]":
    """Return all signed preps, the oldest first, as :func:`shimwise.bench.verdict.teaching.signed_preps`.

    Parameters
    ----------
    workers : str
        Who reads them (:func:`shimwise.bench.executors.workers_of`); this process where there are few.
    progress, on_wait : callable, optional
        As for :func:`shimwise.bench.executors.each_done`.

    Raises
    ------
    ClusterError
        If the workers cannot reach the record.
    """
    with record.reading() as connection:
        prep_ids = lookups.signed_prep_ids(connection)
        if not workers and len(prep_ids) < FEWEST:
            return tuple(preps_read(connection, prep_ids))[::-1]
    if record.location.path is not None and workers.startswith("tls:"):
        raise ClusterError(
            f"The record is {record.name}, a file of this machine, which other machines cannot read. Give "
            "--workers 4 for processes here, or keep the record on PostgreSQL."
        )
    report: Progress = progress or (lambda *_: None)
    parts = [tuple(prep_ids[at : at + PART]) for at in range(0, len(prep_ids), PART)]
    read_there = partial(_read, record.location.address)
    found: list[SignedPrep] = []
    report(READING, 0, len(prep_ids))
    for done, read in enumerate(mapped(read_there, parts, workers=workers, on_wait=on_wait), 1):
        found += read
        report(READING, min(len(prep_ids), PART * done), len(prep_ids))
    return tuple(reversed(found))


def _read(address: str, prep_ids: tuple[str, ...]) -> "tuple[SignedPrep, ...]":
    with Record.open(address, is_read_only=True) as record, record.reading() as connection:
        return tuple(preps_read(connection, prep_ids))
