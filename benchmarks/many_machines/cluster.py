"""Heavy work on a cluster of this machine: how much sooner two workers are, what is lost when one dies.

``python -m benchmarks.many_machines.cluster [--sweeps 200]`` starts a scheduler and workers of Dask on the
loopback as ``docs/many-machines.md`` does, has tasks that wait and invented sweeps done by one worker and by
two, kills a worker and the scheduler in the middle with SIGKILL, and reads a house of signed preps by parts.
"""

import argparse
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from benchmarks import record as invented_record
from benchmarks.imaging.sweep_files import write_sweep
from benchmarks.results import write_section
from shimwise.bench.cluster import ClusterGone, ClusterPool
from shimwise.bench.executors import each_done
from shimwise.bench.history.house_parts import all_signed_preps
from shimwise.bench.sweep.many import SweepOrder, measure_many
from shimwise.bench.sweep.measure import LookedAt, Recording, UnderTest
from shimwise.bench.verdict.teaching import signed_preps
from shimwise.record.record import Record

FIRST_SEED = 9_001
SEEDS = 4
WAITS, WAIT_S, PREPS = 60, 1.0, 500
STARTING_S = 120.0
BIN = Path(sys.executable).parent
ONCE = "all there once"


@dataclass(frozen=True)
class Run:
    """One run: how long it took, and whether every task came out once."""

    seconds: float
    count: int
    is_whole: bool
    waited: Sequence[str] = ()

    @property
    def words(self) -> str:
        """Whether it is whole."""
        return ONCE if self.is_whole else f"**not whole: {self.count}**"


@contextmanager
def started(*words: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start a command of Dask; it and its children are killed at the end."""
    log = subprocess.DEVNULL
    process = subprocess.Popen([BIN / "dask", *words, "--no-dashboard"], stdout=log, stderr=log)
    try:
        yield process
    finally:
        kill_all(process.pid)


def kill_all(pid: int) -> None:
    """Kill a process with its children; what is gone already is no matter."""
    try:
        process = psutil.Process(pid)
        family = [*process.children(recursive=True), process]
    except psutil.NoSuchProcess:
        return
    for one in family:
        try:
            one.kill()
        except psutil.NoSuchProcess:
            continue
    psutil.wait_procs(family, timeout=10)


class Cluster:
    """A scheduler and workers, as processes of this machine."""

    def __init__(self, stack: ExitStack, workers: int) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.stack, self.count = stack, workers
        self.start()
        until = time.monotonic() + STARTING_S
        while self._up() < workers and time.monotonic() < until:
            time.sleep(0.5)
        for _ in each_done(_wait, [0] * 4 * workers, workers=self.address):
            pass  # each has loaded Shimwise

    def start(self) -> None:
        """Start the scheduler, and workers that wait until it is there."""
        here = ("--host", "127.0.0.1")
        self.scheduler = self.stack.enter_context(started("scheduler", *here, "--port", str(self.port)))
        many = ("--nworkers", str(self.count), "--nthreads", "1", "--death-timeout", f"{STARTING_S:g}")
        self.worker = self.stack.enter_context(started("worker", self.address, *here, *many))

    def kill_worker(self) -> None:
        """Kill the worker that has worked most."""
        os.kill(self._processes()[0].pid, signal.SIGKILL)

    def restart(self) -> None:
        """Kill scheduler and workers, then start them again."""
        self.scheduler.kill()
        self.scheduler.wait()
        kill_all(self.worker.pid)
        self.start()

    def _up(self) -> int:
        try:
            with ClusterPool(self.address) as pool:
                return len(pool.workers())
        except ClusterGone:
            return 0

    def _processes(self) -> list[psutil.Process]:
        children = psutil.Process(self.worker.pid).children(recursive=True)
        found = [one for one in children if "spawn_main" in " ".join(one.cmdline())]
        return sorted(found, key=lambda one: -sum(one.cpu_times()[:2]))


def _wait(place: int) -> int:
    time.sleep(WAIT_S)
    return place


def waiting(cluster: Cluster) -> Run:
    """Time tasks that only wait."""
    with ClusterPool(cluster.address) as pool:
        began = time.monotonic()
        places = list(pool.map(_wait, range(WAITS)))
        return Run(time.monotonic() - began, len(places), places == list(range(WAITS)))


def sweeps(
    cluster: Cluster, folders: Sequence[Path], *, at_half: Callable[[Cluster], None] | None = None
) -> Run:
    """Measure sweeps; ``at_half`` is done to the cluster when half of them are there."""
    results = folders[0].parent / "sweeps.jsonl"
    waited: list[str] = []
    orders = [
        SweepOrder(place=place, looked_at=LookedAt(), recording=Recording(), under_test=UnderTest())
        for place in folders
    ]

    def report(_: str, done: int, total: int) -> None:
        nonlocal at_half
        if at_half is not None and done >= total // 2:
            act, at_half = at_half, None
            act(cluster)

    results.unlink(missing_ok=True)
    began = time.monotonic()
    found = measure_many(
        orders, results=results, workers=cluster.address, progress=report, on_wait=waited.append
    )
    seconds = time.monotonic() - began
    rows = Counter(json.loads(line)["folder"] for line in results.read_text().splitlines())
    is_whole = set(rows) == {str(place) for place in folders} and set(rows.values()) == {1}
    return Run(seconds, rows.total(), is_whole and all(one.is_measured for one in found), waited)


def write_folders(folder: Path, count: int) -> None:
    """Write so many folders of frames, of which so many are other sweeps as there are seeds."""
    made = [
        write_sweep(folder / f"{FIRST_SEED + number}", FIRST_SEED + number)
        for number in range(min(SEEDS, count))
    ]
    for number in range(len(made), count):
        shutil.copytree(made[number % SEEDS], folder / f"{FIRST_SEED + number}", copy_function=os.link)


def house(folder: Path) -> list[str]:
    """Time the reading of a house of signed preps: at once, by two processes, by a cluster of two workers."""
    Record.open(folder).close()
    path = folder / "shimwise.sqlite"
    invented_record.build(path, prep_count=PREPS, readings_a_prep=72)
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE preps SET state = 'signed'")
    record = Record.open(path, is_read_only=True)
    lines = []
    try:
        began = time.monotonic()
        with record.reading() as connection:
            alone = signed_preps(connection, most_readings=10**9)
        alone_s = time.monotonic() - began
        lines.append(f"| one process | {alone_s:.1f} | |")
        with ExitStack() as stack:
            cluster = Cluster(stack, 2)
            ways = {"two processes of this machine": "2", "a cluster of two workers": cluster.address}
            for name, workers in ways.items():
                began = time.monotonic()
                found = all_signed_preps(record, workers=workers)
                seconds = time.monotonic() - began
                same = "the same" if found == alone else "**another**"
                lines.append(f"| {name} | {seconds:.1f} | {alone_s / seconds:.2f} ×, {same} |")
    finally:
        record.close()
    head = [f"A house of {PREPS:,} signed preps with 72 readings each on SQLite, read:", ""]
    return [*head, "| by | s | |", "| --- | --- | --- |", *lines]


def waits(_: Path) -> list[str]:
    """Table of tasks that only wait."""
    with ExitStack() as stack:
        one = waiting(Cluster(stack, 1))
    with ExitStack() as stack:
        two = waiting(Cluster(stack, 2))
    return [
        f"{WAITS} tasks that wait {WAIT_S:g} s: one worker {one.seconds:.1f} s, two {two.seconds:.1f} s, "
        f"**{one.seconds / two.seconds:.2f} ×** (≥ 1.8); {two.words}."
    ]


def measured_sweeps(folder: Path) -> list[str]:
    """Line of sweeps by one worker and by two, nothing killed."""
    folders = _folders(folder)
    with ExitStack() as stack:
        one = sweeps(Cluster(stack, 1), folders)
    with ExitStack() as stack:
        two = sweeps(Cluster(stack, 2), folders)
    return [
        f"{len(folders)} sweeps (400 × 300 px, 13 frames): one worker {one.seconds:.1f} s, {one.words}; two "
        f"{two.seconds:.1f} s, {two.words}: {one.seconds / two.seconds:.2f} ×; two cores, used by others too."
    ]


def only_one_killed(folder: Path) -> list[str]:
    """Line of sweeps by one worker, which is killed when half are there."""
    with ExitStack() as stack:
        run = sweeps(Cluster(stack, 1), _folders(folder), at_half=Cluster.kill_worker)
    return [
        f"{run.count} sweeps, the only worker killed (SIGKILL) at half: {run.seconds:.0f} s, {run.words}."
    ]


def one_of_two_killed(folder: Path) -> list[str]:
    """Line of sweeps by two workers, of which one is killed when half are there."""
    with ExitStack() as stack:
        run = sweeps(Cluster(stack, 2), _folders(folder), at_half=Cluster.kill_worker)
    return [
        f"{run.count} sweeps, one of two workers killed (SIGKILL) at half: {run.seconds:.0f} s, {run.words}."
    ]


def scheduler_killed(folder: Path) -> list[str]:
    """Line of sweeps whose scheduler and workers are killed when half are there, and started again."""
    with ExitStack() as stack:
        run = sweeps(Cluster(stack, 2), _folders(folder), at_half=Cluster.restart)
    said = f"“{run.waited[0]}”" if run.waited else "**nothing**"
    return [
        f"{run.count} sweeps, scheduler and workers killed (SIGKILL) at half and started again: "
        f"{run.seconds:.0f} s, {run.words}; said: {said}"
    ]


def _folders(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.is_dir())


PARTS = {
    "waits": ("Tasks on a cluster that wait", waits),
    "sweeps": ("Sweeps on a cluster", measured_sweeps),
    "alone": ("Sweeps on a cluster, the only worker killed", only_one_killed),
    "killed": ("Sweeps on a cluster, one of two workers killed", one_of_two_killed),
    "gone": ("Sweeps on a cluster, the scheduler killed", scheduler_killed),
    "house": ("A house read by parts", house),
}


def main() -> None:
    """Measure the parts and keep their sections."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", default=list(PARTS), help=", ".join(PARTS))
    parser.add_argument("--sweeps", type=int, default=200)
    arguments = parser.parse_args()
    for part in arguments.parts:
        title, measured = PARTS[part]
        with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as name:
            if measured not in (waits, house):
                write_folders(Path(name), arguments.sweeps)
            before = os.getloadavg()[0]
            lines = measured(Path(name))
        load = f"Load of the machine: {before:.1f} before, {os.getloadavg()[0]:.1f} after."
        write_section(title, f"{FIRST_SEED}–{FIRST_SEED + SEEDS - 1}", [*lines, "", load])


if __name__ == "__main__":
    main()
