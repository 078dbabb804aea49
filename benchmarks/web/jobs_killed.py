"""``kill -9`` of one of two servers while twenty clients write and sweeps wait: is each job finished once?

Both serve one record on PostgreSQL and see one folder of frames. Writers of the server that died go on at the
other, and send what was on its way again, as a browser does.
"""

import asyncio
import os
import random
import statistics
import threading
import time
import uuid
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.imaging.sweep_files import write_sweep
from benchmarks.web.house import BenchPrep, new_id, new_prep, reading
from benchmarks.web.http_line import HttpLine
from benchmarks.web.served import Served
from shimwise.bench.jobs.line import TIDY_S
from shimwise.record.queries import jobs, verdicts
from shimwise.record.record import Record

__all__ = ["SEED", "JobsRun", "job_lines", "run_job_kills"]

SEED = 21
CLIENTS, PREPS, SWEEPS = 20, 5, 2
SOONEST_S, LATEST_S = 0.5, 4.0
PACE_S = 0.25
"""Between two readings of a client."""
DRAINED_S = 240.0
QUIET_S = 2 * TIDY_S + 5
FULL = "would wait behind"
"""A sweep is refused where so many wait already."""


@dataclass(kw_only=True)
class JobsRun:
    """What was sent over all kills, and what came of it."""

    kills: int = 0
    answered: int = 0
    missing: int = 0
    double: int = 0
    sweeps: int = 0
    sweeps_kept: int = 0
    sweeps_double: int = 0
    verdicts: int = 0
    verdicts_double: int = 0
    preps_behind: int = 0
    failed: list[str] = field(default_factory=list)
    held: int = 0
    """Jobs that the killed server worked on."""
    taken_over_s: list[float] = field(default_factory=list)
    drained_s: float = 0.0


def run_job_kills(data: str, folder: Path, *, kills: int, seed: int = SEED) -> JobsRun:
    """Kill one of two servers as often as asked, let both finish, and look at what was kept."""
    os.environ["XDG_DATA_HOME"] = str(folder / "shared")
    chance, run = random.Random(seed), JobsRun()
    frames = write_sweep(folder / "frames", 3)
    servers = [Served(data, folder / f"server-{n}.log") for n in range(2)]
    try:
        with Record.open(data) as record, _Orphans(record, run) as orphans:
            preps = asyncio.run(_new_preps(servers[0].address))
            sent: dict[str, str] = {}
            sweeps: dict[str, str] = {}
            for _ in range(kills):
                doomed = chance.randrange(2)
                wait_s = chance.uniform(SOONEST_S, LATEST_S)
                began = asyncio.run(
                    _round(orphans, servers, doomed, wait_s, preps, frames, sent, sweeps, data, folder)
                )
                servers[doomed] = began
                run.kills += 1
            run.drained_s = _drain(record)
            _look(record, preps, sent, sweeps, run)
    finally:
        for server in servers:
            server.stop()
    return run


def job_lines(run: JobsRun) -> list[str]:
    """Return what was found, in words."""
    taken = sorted(run.taken_over_s) or [0.0]
    return [
        f"- {run.kills} kills at random moments, two servers on one PostgreSQL, twenty clients write, "
        f"{run.sweeps} sweeps sent",
        f"- readings answered {run.answered}: missing **{run.missing}**, double **{run.double}**",
        f"- sweeps measured and kept **{run.sweeps_kept} of {run.sweeps}**, double **{run.sweeps_double}**",
        f"- verdicts {run.verdicts}: double of one revision **{run.verdicts_double}**, preps without one of "
        f"their last revision **{run.preps_behind}**; jobs that failed: **{len(run.failed)}**",
        f"- the killed servers worked on {run.held} jobs, which others took over after "
        f"{statistics.median(taken):.1f} s (median), {taken[-1]:.1f} s (longest): the lease is 12 s, and "
        "somebody has to be free",
        f"- all done {run.drained_s:.0f} s after the last kill",
        *(f"- failed: {one}" for one in run.failed[:10]),
    ]


async def _new_preps(address: str) -> list[BenchPrep]:
    async with HttpLine(address) as line:
        return [await new_prep(line, f"j{place}") for place in range(PREPS)]


async def _round(
    orphans: "_Orphans",
    servers: list[Served],
    doomed: int,
    wait_s: float,
    preps: list[BenchPrep],
    frames: Path,
    sent: dict[str, str],
    sweeps: dict[str, str],
    data: str,
    folder: Path,
) -> Served:
    """Write and send sweeps, kill one server meanwhile, and go on until it is started again."""
    is_over = asyncio.Event()
    dead = False

    async def client(place: int) -> None:
        nonlocal dead
        prep, at, count = preps[place % PREPS], place % 2, len(sent) + place
        said = reading(prep, count)
        while not is_over.is_set():
            if dead and at == doomed:
                at = 1 - doomed
            async with HttpLine(servers[at].address) as line:
                try:
                    while not (is_over.is_set() or (dead and at == doomed)):
                        answer = await line.post(f"/api/v1/preps/{prep.id}/readings", said)
                        if answer.status in {200, 201}:
                            sent[said["id"]] = said["reading_text"]
                            count += CLIENTS
                            said = reading(prep, count)
                        await asyncio.sleep(PACE_S)
                except (OSError, EOFError):
                    at = 1 - doomed
                    await asyncio.sleep(0.05)

    clients = [asyncio.create_task(client(place)) for place in range(CLIENTS)]
    for number in range(SWEEPS):
        sweep_id, prep = new_id(), preps[(len(sweeps) + number) % PREPS]
        sweeps[sweep_id] = prep.id
        await asyncio.to_thread(_send, servers[1 - doomed].address, prep, sweep_id, frames)
    await asyncio.sleep(wait_s)
    servers[doomed].process.kill()
    dead = True
    orphans.add(servers[doomed].process.pid)
    servers[doomed].process.wait()
    began = await asyncio.to_thread(Served, data, folder / f"server-{doomed}.log")
    is_over.set()
    await asyncio.gather(*clients)
    return began


def _send(address: str, prep: BenchPrep, sweep_id: str, frames: Path) -> None:
    """Send a sweep as a form; the same pictures in other files, for a PNG may go on past its end."""
    import httpx

    files = [
        (
            "files",
            (file.name, file.read_bytes() + (uuid.uuid4().bytes if file.suffix == ".png" else b"")),
        )
        for file in sorted(frames.iterdir())
    ]
    said = {"id": sweep_id, "body_id": prep.body_id, "lens_id": prep.lens_ids[3], "distance_text": "3'"}
    path, sent = f"{address}/api/v1/preps/{prep.id}/sweeps", {**said, "who": "the load"}
    until = time.monotonic() + DRAINED_S
    while True:
        answer = httpx.post(path, data=sent, files=files, timeout=60)
        if FULL not in answer.text or time.monotonic() > until:
            break
        time.sleep(2.0)  # as the refusal asks for
    if answer.status_code != 202:
        raise RuntimeError(f"a sweep was answered {answer.status_code}: {answer.text[:500]}")


def _held_by(record: Record, pid: int) -> list[str]:
    with record.reading() as connection:
        rows = jobs.jobs(connection, states=(jobs.WORKING,))
    return [row.id for row in rows if row.server.endswith(f":{pid}")]


class _Orphans:
    """Notes how long the jobs of each killed server stay its own."""

    def __init__(self, record: Record, run: JobsRun) -> None:
        self.record, self.run, self.killed = record, run, dict[int, tuple[float, int]]()
        self.is_over = threading.Event()
        self.thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> "_Orphans":
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.is_over.set()
        self.thread.join(5)

    def add(self, pid: int) -> None:
        """Watch the jobs of a server that was killed now."""
        count = len(_held_by(self.record, pid))
        self.run.held += count
        self.killed[pid] = time.monotonic(), count

    def _watch(self) -> None:
        while not self.is_over.wait(0.2):
            for pid, (killed_s, count) in list(self.killed.items()):
                left = len(_held_by(self.record, pid)) if count else 0
                self.run.taken_over_s += [time.monotonic() - killed_s] * (count - left)
                self.killed[pid] = killed_s, left


def _drain(record: Record) -> float:
    """Wait until no job has been open for two rounds of tidying; return when the last one ended. [s]

    A job that ends may ask for another a moment later, and what a killed server did not ask for any more is
    found by the others when they tidy up.
    """
    began_s = ended_s = time.monotonic()
    while (now_s := time.monotonic()) - ended_s < QUIET_S and now_s - began_s < DRAINED_S:
        if _open(record):
            ended_s = now_s
        time.sleep(0.5)
    return ended_s - began_s


def _open(record: Record) -> bool:
    with record.reading() as connection:
        return bool(jobs.jobs(connection, states=jobs.OPEN))


def _look(
    record: Record, preps: list[BenchPrep], sent: dict[str, str], sweeps: dict[str, str], run: JobsRun
) -> None:
    from shimwise.record.queries import evidence
    from shimwise.record.queries.preps import prep as prep_row

    kept: Counter[str] = Counter()
    swept: Counter[str] = Counter()
    with record.reading() as connection:
        for one in preps:
            kept.update(row.id for row in evidence.readings(connection, one.id))
            swept.update(row.id for row in evidence.sweeps(connection, one.id))
            given = Counter(row.revision for row in verdicts.verdicts_of(connection, one.id))
            run.verdicts += sum(given.values())
            run.verdicts_double += sum(count - 1 for count in given.values())
            run.preps_behind += prep_row(connection, one.id).revision not in given
        run.failed = [f"{row.id}: {row.problem}" for row in jobs.jobs(connection, states=(jobs.FAILED,))]
    run.answered = len(sent)
    run.missing = len(sent.keys() - kept.keys())
    run.double = sum(count - 1 for count in kept.values())
    run.sweeps, run.sweeps_kept = len(sweeps), len(sweeps.keys() & swept.keys())
    run.sweeps_double = sum(count - 1 for count in swept.values())
