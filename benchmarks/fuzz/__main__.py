"""``python -m benchmarks.fuzz``: damaged files for every reader, before a release. ``--quick``: a tenth."""

import argparse
import hashlib
import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from benchmarks.fuzz.mutations import damaged
from benchmarks.fuzz.readers import READERS, read
from benchmarks.fuzz.seeds import seeds_of
from benchmarks.results import write_section
from shimwise.bench.workers import TooMuchWork, Workers

SEED = 14
PATIENCE_S = 180.0
MOST_BYTES = 2 * 1024**3
SLOW_S = 5.0
SHARES = {
    **{"readings": 2500, "imported": 1000, "kit": 2500, "prep": 2000, "paper": 1200, "list": 1500},
    **{"backup-lines": 800, "backup-file": 600, "still": 3500, "clip": 1200, "sweep": 1200},
    **{"positions": 500, "chart": 700, "labels": 300, "key": 200, "length": 300},
}
"""Inputs for each reader: 20,000 in all."""


def main() -> None:
    """Run all readers, or those named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readers", nargs="*", choices=[*READERS, []], help="all when none is named")
    parser.add_argument("--quick", action="store_true", help="a tenth of it; the table is not kept")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--finds", type=Path, default=Path("build/fuzz"), help="where finds are put")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so long")
    chosen = parser.parse_args()
    os.environ["SHIMWISE_KEYS"] = str(chosen.finds.absolute() / "keys")
    names = chosen.readers or list(READERS)
    until_s = time.monotonic() + 60 * chosen.minutes
    runs = []
    for name in names:
        run = Run(name, chosen.finds)
        run.go(max(10, SHARES[name] // (10 if chosen.quick else 1)), chosen.seed, until_s)
        print(run.line, flush=True)
        runs.append(run)
    if not (chosen.quick or chosen.readers):
        keep(runs, chosen.seed)


class Run:
    """One reader, and what it made of its inputs."""

    def __init__(self, name: str, finds: Path) -> None:
        self.name, self.folder = name, finds
        self.ends: Counter[str] = Counter()
        self.longest_s = 0.0
        self.finds: list[str] = []
        self.kinds: set[tuple[str, ...]] = set()

    def go(self, count: int, seed: int, until_s: float) -> None:
        """Give it damaged inputs, two at a time, until that many were given or the time is over."""
        seeds = seeds_of(self.name)
        workers = Workers(what=self.name, patience_s=PATIENCE_S, most_bytes=MOST_BYTES)

        def given(number: int) -> None:
            if time.monotonic() > until_s:
                return
            self._give(workers, damaged(seeds, random.Random(f"{self.name} {seed} {number}")))

        try:
            for whole in seeds:
                self._give(workers, whole)
            with ThreadPoolExecutor(workers.most) as threads:
                list(threads.map(given, range(count)))
        finally:
            workers.stop()

    def _give(self, workers: Workers, data: bytes) -> None:
        took_s = 0.0
        try:
            (end, took_s), trace = workers.run(read, self.name, data), ""
        except (TooMuchWork, RuntimeError) as error:
            end, trace = "found", str(error)
        if took_s > SLOW_S and end != "found":
            end, trace = "slow", f"took {took_s:.1f} s"
        self.longest_s = max(self.longest_s, took_s)
        self.ends[end] += 1
        if trace:
            self._keep(data, trace)

    def _keep(self, data: bytes, trace: str) -> None:
        """Keep a find, the first of its kind: of one place in the code."""
        kind = tuple(line for line in trace.splitlines() if line.lstrip().startswith("File "))[-1:]
        if kind and kind in self.kinds:
            return
        self.kinds.add(kind)
        name = f"{self.name}-{hashlib.sha256(data).hexdigest()[:8]}"
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / f"{name}.bin").write_bytes(data)
        (self.folder / f"{name}.txt").write_text(trace, encoding="utf-8")
        self.finds.append(f"{name}: {trace.strip().splitlines()[-1][:160]}")
        print(f"  {self.finds[-1]}", flush=True)

    @property
    def line(self) -> str:
        """A line of the table."""
        ends = self.ends
        return (
            f"| {self.name} | {sum(ends.values())} | {ends['refused']} | {ends['taken']} | "
            f"**{ends['found']}** | {ends['slow']} | {self.longest_s:.1f} |"
        )


def keep(runs: list[Run], seed: int) -> None:
    """Keep the table."""
    total: Counter[str] = sum((run.ends for run in runs), Counter())
    lines = [
        "| reader | inputs | refused | taken | failed | slow | longest, s of processor |",
        "|---|---|---|---|---|---|---|",
        *(run.line for run in runs),
        "",
        f"{sum(total.values())} damaged inputs, two at a time; failed: anything but a refusal (a trace, a "
        f"process that ended, more than {PATIENCE_S:g} s or {MOST_BYTES / 1024**3:g} GB): "
        f"**{total['found']}** (goal: 0). Slow: more than {SLOW_S:g} s of the processor.",
    ]
    write_section("Damaged and hostile files", str(seed), lines)


def kept(folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield the reader and the file of each find that is kept."""
    for path in sorted(folder.glob("*.bin")):
        yield path.stem.rpartition("-")[0], path


if __name__ == "__main__":
    main()
