"""``kill -9`` of the server at random moments while twenty clients write: is any answered reading missing?

SIGKILL ends the process, not the machine: what the system had taken is still written. A cut of power is not
measured here; against that stands ``synchronous=FULL``.
"""

import asyncio
import random
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmarks.web.house import BenchPrep, new_id, new_prep, reading
from benchmarks.web.http_line import Answer, HttpLine
from benchmarks.web.served import BEGIN, Served

__all__ = ["SEED", "KillRun", "run_kills"]

SEED = 20
CLIENTS = 20
SOONEST_S, LATEST_S = 0.05, 1.5
NEW_PREP_AFTER = 10
TRIES = 5


@dataclass(kw_only=True)
class KillRun:
    """What was sent and answered over all kills, and what was found missing, double or wrong after each."""

    kills: int = 0
    answered: int = 0
    cut_off: int = 0
    missing: int = 0
    double: int = 0
    changed: int = 0
    resent_twice: int = 0
    checks_clean: int = 0
    findings: list[str] = field(default_factory=list)
    restart_s: list[float] = field(default_factory=list)


@dataclass
class _Sent:
    """One client's readings: those answered with their text, and the one that was on its way."""

    answered: dict[str, str] = field(default_factory=dict)
    on_its_way: dict[str, Any] | None = None


def run_kills(data: str, folder: Path, *, kills: int) -> KillRun:
    """Kill the server as often as asked, and look each time at what it kept."""
    chance, run = random.Random(SEED), KillRun()
    preps: list[BenchPrep] = []
    for count in range(kills):
        server = Served(data, folder / "server.log")
        run.restart_s.append(server.started_s)
        if count % NEW_PREP_AFTER == 0:
            preps = asyncio.run(_new_preps(server.address, f"k{count:02d}-"))
        wait_s = chance.uniform(SOONEST_S, LATEST_S)
        sent = asyncio.run(_write_until_killed(server, preps, wait_s))
        run.kills += 1
        server = Served(data, folder / "server.log")
        asyncio.run(_look(server.address, preps, sent, run))
        server.stop()
        _check(data, run)
    return run


async def _new_preps(address: str, name: str) -> list[BenchPrep]:
    async with HttpLine(address) as line:
        return [await new_prep(line, f"{name}{place}") for place in range(CLIENTS // 4)]


async def _write_until_killed(server: Served, preps: list[BenchPrep], wait_s: float) -> list[_Sent]:
    sent = [_Sent() for _ in range(CLIENTS)]

    async def client(place: int) -> None:
        prep, count = preps[place % len(preps)], place
        async with HttpLine(server.address) as line:
            while True:
                said = reading(prep, count)
                sent[place].on_its_way = said
                try:
                    answer = await line.post(f"/api/v1/preps/{prep.id}/readings", said)
                except (OSError, EOFError):
                    return
                if answer.status in {200, 201}:
                    sent[place].answered[said["id"]] = said["reading_text"]
                    sent[place].on_its_way = None
                count += 1

    clients = [asyncio.create_task(client(place)) for place in range(CLIENTS)]
    await asyncio.sleep(wait_s)
    server.process.kill()
    await asyncio.gather(*clients)
    server.process.wait()
    return sent


async def _look(address: str, preps: list[BenchPrep], sent: list[_Sent], run: KillRun) -> None:
    async with HttpLine(address) as line:
        kept = await _kept(line, preps)
        for place, one in enumerate(sent):
            run.answered += len(one.answered)
            run.missing += len(one.answered.keys() - kept.keys())
            run.changed += sum(kept.get(key, text) != text for key, text in one.answered.items())
            if one.on_its_way is not None:
                run.cut_off += 1
                prep = preps[place % len(preps)]
                answer = await _sent_again(line, f"/api/v1/preps/{prep.id}/readings", one.on_its_way, run)
                if answer.status not in {200, 201}:
                    run.findings.append(f"sent again: {answer.status} {answer.body.decode()[:200]}")
        before = len(kept)
        kept = await _kept(line, preps)
        waiting = {one.on_its_way["id"] for one in sent if one.on_its_way is not None}
        run.resent_twice += len(waiting - kept.keys())
        run.double += max(0, len(kept) - before - len(waiting))


async def _sent_again(line: HttpLine, path: str, said: dict[str, Any], run: KillRun) -> Answer:
    """Send a reading again, as a browser does: until there is an answer."""
    for _ in range(TRIES):
        try:
            return await line.post(path, said)
        except (OSError, EOFError) as error:
            run.findings.append(f"the line broke while sending again: {error!r}")
            await asyncio.sleep(0.2)
    raise RuntimeError(f"no answer in {TRIES} tries: {run.findings[-1]}")


async def _kept(line: HttpLine, preps: list[BenchPrep]) -> dict[str, str]:
    """Give what the record keeps: id to text; an id that stands there twice is a fault of its own."""
    kept: dict[str, str] = {}
    for prep in preps:
        for one in (await line.get(f"/api/v1/preps/{prep.id}")).json["readings"]:
            key = one["id"] if one["id"] not in kept else f"{one['id']}-{new_id()}"
            kept[key] = one["reading_text"]
    return kept


def _check(data: str, run: KillRun) -> None:
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", BEGIN, "check", "--data", data], capture_output=True, text=True, check=False
    )
    if done.returncode == 0:
        run.checks_clean += 1
    else:
        run.findings.append(
            f"check ({time.perf_counter() - began:.1f} s): {done.stdout[-300:]}{done.stderr[-300:]}"
        )
