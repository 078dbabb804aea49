"""Twenty people save readings at once: what the group commit brings beside a commit for each change.

``python -m benchmarks.record_commit`` lets both ways save the same readings in turn, on a small record in a
temporary folder, and keeps the waits in ``RESULTS.md``. Only the record is measured: no pages, no judge.
"""

import argparse
import os
import random
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from benchmarks.results import write_section
from shimwise.record.queries import evidence, preps, units
from shimwise.record.record import Record
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, ReadingRow, SetupRow

PEOPLE = 20
SEED = 20
NOW = datetime(2026, 1, 5, 9, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How people save: readings each, seconds between two of a person, whether all press at one moment."""

    each: int
    pace_s: float
    is_together: bool = False


WAYS = {
    "each once a second, at moments of their own": Way(each=12, pace_s=1.0),
    "all at the same instant, once a second": Way(each=8, pace_s=1.0, is_together=True),
    "each again as soon as answered": Way(each=25, pace_s=0.0),
}


class OneCommitEach:
    """The plain way: a lock, and a commit for each change."""

    def __init__(self, begin: Callable[[], Connection]) -> None:
        self._begin, self._lock = begin, threading.Lock()

    @contextmanager
    def turn(self) -> Iterator[Connection]:
        """Wait for this thread's turn; on leaving, what it wrote is on disk."""
        with self._lock, self._begin() as connection:
            yield connection
            connection.commit()


def waits_ms(way: Way, *, is_grouped: bool) -> list[float]:
    """Return how long each saved reading took. [ms]"""
    with tempfile.TemporaryDirectory() as folder, Record.open(folder) as record:
        if not is_grouped:
            record._turns = OneCommitEach(record._begin)  # type: ignore[assignment]  # the way under test
        _furnish(record)
        waits: list[float] = []
        chance = random.Random(SEED)
        late_s = [
            [0.0 if way.is_together else chance.random() for _ in range(way.each)] for _ in range(PEOPLE)
        ]
        start_s = time.perf_counter() + 0.3

        def save(person: int) -> None:
            for count in range(way.each):
                if way.pace_s:
                    at_s = start_s + way.pace_s * (count + late_s[person][count])
                    time.sleep(max(0.0, at_s - time.perf_counter()))
                began_s = time.perf_counter()
                with record.writing(who=f"Person {person}") as change:
                    evidence.add_reading(change, _reading(person, count))
                waits.append((time.perf_counter() - began_s) * 1e3)

        threads = [threading.Thread(target=save, args=(person,)) for person in range(PEOPLE)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert len(waits) == PEOPLE * way.each
    return sorted(waits)


def _furnish(record: Record) -> None:
    with record.writing(who="Ann") as change:
        units.add_unit(change, BodyRow(id="b", name="Body"))
        units.add_unit(change, LensRow(id="l", name="Lens", focal_lengths_mm=(50.0,)))
        for person in range(PEOPLE):
            prep = PrepRow(
                id=f"p{person}",
                title="Invented",
                started_at=NOW,
                started_by="Ann",
                body_ids=("b",),
                lens_ids=("l",),
            )
            setup = SetupRow(
                id=f"s{person}",
                prep_id=prep.id,
                body_id="b",
                name="chart",
                distance_mm=1828.8,
                distance_text="6'",
                taped_by="Ann",
                taped_at=NOW,
            )
            preps.add_prep(change, prep)
            evidence.add_setup(change, setup)


def _reading(person: int, count: int) -> ReadingRow:
    return ReadingRow(
        id=f"{person}-{count}",
        prep_id=f"p{person}",
        setup_id=f"s{person}",
        body_id="b",
        lens_id="l",
        focal_mm=50.0,
        fnumber=2.0,
        reading_mm=1813.0,
        reading_text="5' 11 3/8\"",
        operator="Ann",
        taken_at=NOW,
    )


def main() -> None:
    """Measure both ways in turn; keep and print the waits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=3, help="each way, one after the other")
    asked = parser.parse_args()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    lines = [
        f"{PEOPLE} people save readings at once, each into a prep of their own; SQLite, each way "
        f"{asked.times} times in turn. Other work on the machine: load {load:.0f} at the start.",
        "",
        "| how they save | commit | p50, ms | p99, ms | longest, ms |",
        "|---|---|---|---|---|",
    ]
    for name, way in WAYS.items():
        waits: dict[bool, list[float]] = {True: [], False: []}
        for _ in range(asked.times):
            for is_grouped in waits:
                waits[is_grouped] += waits_ms(way, is_grouped=is_grouped)
        for is_grouped, of_way in waits.items():
            commit = "for a group" if is_grouped else "for each"
            p50_ms, p99_ms = statistics.median(of_way), sorted(of_way)[int(0.99 * len(of_way))]
            lines.append(f"| {name} | {commit} | {p50_ms:.0f} | **{p99_ms:.0f}** | {max(of_way):.0f} |")
    lines += ["", "Goal: p99 ≤ 60 ms at moments of their own; bursts no longer than with the group commit."]
    write_section("Twenty people save readings at once", str(SEED), lines)


if __name__ == "__main__":
    main()
