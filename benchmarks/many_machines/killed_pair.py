"""``kill -9`` of one of two servers again and again while twenty people write, who go to the other one."""

import asyncio
import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg

from benchmarks.web.house import BenchPrep, new_prep, reading
from benchmarks.web.http_line import HttpLine
from benchmarks.web.served import Served

__all__ = ["PACE_S", "SEED", "WRITERS", "PairRun", "kill_one_of_two"]

SEED = 20
WRITERS = 20
PACE_S = 0.5
"""How often each writes. [s]"""
SOONEST_S, LATEST_S = 0.05, 1.5
PATIENCE_S = 15.0
JUDGED_S = 120.0
TWICE = (
    "SELECT count(*) FROM (SELECT 1 FROM verdicts GROUP BY prep_id, revision HAVING count(*) > 1) AS twice"
)
JOBS = "SELECT kind, state, count(*) FROM jobs GROUP BY kind, state ORDER BY kind, state"


@dataclass(kw_only=True)
class PairRun:
    """What was acknowledged and what the record keeps; what was refused, or broke and was sent again."""

    kills: int = 0
    answered: int = 0
    sent_again: int = 0
    missing: int = 0
    double: int = 0
    changed: int = 0
    refused: list[str] = field(default_factory=list)
    verdicts_twice: int = 0
    behind: int = 0
    jobs: list[str] = field(default_factory=list)
    longest_wait_s: float = 0.0


class _Pair:
    """Two servers, of which one may be down; the writers ask for the address of one that answers."""

    def __init__(self, data: str, folder: Path) -> None:
        self.data, self.folder = data, folder
        self.servers: list[Served] = [self._started(place) for place in range(2)]

    def _started(self, place: int) -> Served:
        return Served(self.data, self.folder / f"server-{place}.log")

    def address(self, place: int) -> str:
        return self.servers[place % 2].address

    def kill_and_start(self, place: int) -> None:
        self.servers[place].kill()
        self.servers[place] = self._started(place)


async def kill_one_of_two(data: str, folder: Path, *, kills: int, seed: int) -> PairRun:
    """Kill one of two servers as often as asked; count what was acknowledged and what is kept."""
    pair = await asyncio.to_thread(_Pair, data, folder)
    run, chance = PairRun(), random.Random(seed)
    async with HttpLine(pair.address(0)) as line:
        preps = [await new_prep(line, f"k{place:02d}") for place in range(WRITERS)]
    sent: list[dict[str, str]] = [{} for _ in preps]
    has_ended = asyncio.Event()
    writers = [
        asyncio.create_task(_write(pair, place, prep, sent[place], run, has_ended))
        for place, prep in enumerate(preps)
    ]
    for _ in range(kills):
        await asyncio.sleep(chance.uniform(SOONEST_S, LATEST_S))
        await asyncio.to_thread(pair.kill_and_start, chance.randrange(2))
        run.kills += 1
    has_ended.set()
    await asyncio.gather(*writers)
    async with HttpLine(pair.address(1)) as line:
        for prep, known in zip(preps, sent, strict=True):
            await _look(line, prep, known, run)
        run.behind = await _wait_for_verdicts(line, preps)
    for server in pair.servers:
        server.stop()
    _count(data, run)
    return run


async def _write(
    pair: _Pair, place: int, prep: BenchPrep, sent: dict[str, str], run: PairRun, has_ended: asyncio.Event
) -> None:
    """Send readings one by one, each again under its id until it is answered, to whichever server answers."""
    loop, chance, at = asyncio.get_running_loop(), random.Random(SEED + place), place
    while not has_ended.is_set():
        said, began_s = reading(prep, len(sent)), loop.time()
        while True:
            answer = await _sent(pair.address(at), f"/api/v1/preps/{prep.id}/readings", said)
            if answer in {"200", "201"}:
                break
            if answer:
                run.refused.append(answer)
            run.sent_again += 1
            at += 1
            await asyncio.sleep(0.05)
        run.longest_wait_s = max(run.longest_wait_s, loop.time() - began_s)
        sent[said["id"]] = said["reading_text"]
        await asyncio.sleep(PACE_S * chance.uniform(0.5, 1.5))


async def _sent(address: str, path: str, said: dict[str, Any]) -> str:
    """Return the status of an answer with what it says; empty where the line broke."""
    try:
        async with HttpLine(address, patience_s=PATIENCE_S) as line:
            answer = await line.post(path, said)
    except (OSError, EOFError):
        return ""
    done = answer.status in {200, 201}
    return str(answer.status) if done else f"{answer.status} {answer.body.decode()[:200]}"


async def _look(line: HttpLine, prep: BenchPrep, known: dict[str, str], run: PairRun) -> None:
    found = [
        (one["id"], one["reading_text"])
        for one in (await line.get(f"/api/v1/preps/{prep.id}")).json["readings"]
    ]
    kept = dict(found)
    run.answered += len(known)
    run.missing += len(known.keys() - kept.keys())
    run.double += len(found) - len(known)
    run.changed += sum(kept.get(key, text) != text for key, text in known.items())


async def _wait_for_verdicts(line: HttpLine, preps: list[BenchPrep]) -> int:
    """Wait until each prep has its verdict; return how many have not."""
    until_s = asyncio.get_running_loop().time() + JUDGED_S
    behind = list(preps)
    while behind and asyncio.get_running_loop().time() < until_s:
        answers = [await line.get(f"/api/v1/preps/{prep.id}/verdict") for prep in behind]
        behind = [
            prep
            for prep, answer in zip(behind, answers, strict=True)
            if answer.status != 200 or not answer.json["is_current"]
        ]
        await asyncio.sleep(0.2)
    return len(behind)


def _count(data: str, run: PairRun) -> None:
    with psycopg.connect(data) as connection:
        run.verdicts_twice = connection.execute(TWICE).fetchone()[0]  # type: ignore[index]
        run.jobs = [f"{kind} {state} {count}" for kind, state, count in connection.execute(JOBS)]
