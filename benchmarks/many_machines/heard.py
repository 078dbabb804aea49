"""How long a change saved on one server takes to the devices that the other one serves."""

import asyncio
import contextlib
import json
import random
import subprocess
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.web.house import BenchPrep, new_prep, reading
from benchmarks.web.http_line import HttpLine
from benchmarks.web.served import Served

__all__ = ["SEED", "HeardRun", "RestartRun", "hear_changes", "restart_database"]

SEED = 20
PAUSE_S = 0.25
PATIENCE_S = 60.0


@dataclass(frozen=True, kw_only=True)
class HeardRun:
    """From the answer of a save on one server, and from its sending, to its event on the other. [ms]"""

    after_answer_ms: tuple[float, ...]
    after_sending_ms: tuple[float, ...]


@dataclass(kw_only=True)
class RestartRun:
    """Seconds from when the database answers again until each thing works, of each restart."""

    away_s: list[float] = field(default_factory=list)
    saved_s: list[float] = field(default_factory=list)
    heard_s: list[float] = field(default_factory=list)
    lost: int = 0
    lines_ended: int = 0


class _Watch:
    """A device's live line on a server: the newest revision it was told, and when."""

    def __init__(self) -> None:
        self.revision, self.at_s, self.has_ended = 0, 0.0, False
        self._news = asyncio.Condition()

    async def follow(self, address: str, prep_id: str) -> None:
        host, _, port = address.removeprefix("http://").partition(":")
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(f"GET /live/preps/{prep_id} HTTP/1.1\r\nhost: {host}:{port}\r\n\r\n".encode())
        with contextlib.closing(writer):
            while text := await reader.readline():
                if text.startswith(b"data: "):
                    async with self._news:
                        self.revision, self.at_s = json.loads(text[6:])["revision"], time.perf_counter()
                        self._news.notify_all()
        self.has_ended = True

    async def reached(self, revision: int) -> float:
        """Return when it was told a revision, or a later one."""
        async with asyncio.timeout(PATIENCE_S), self._news:
            await self._news.wait_for(lambda: self.revision >= revision)
        return self.at_s


@contextlib.asynccontextmanager
async def _watched(data: str, folder: Path) -> AsyncIterator[tuple[list[Served], BenchPrep, list[_Watch]]]:
    """Start two servers with a prep, and on each a device that looks at it."""
    servers = [await asyncio.to_thread(Served, data, folder / f"heard-{place}.log") for place in range(2)]
    async with HttpLine(servers[0].address) as line:
        prep = await new_prep(line, "heard")
    watches = [_Watch() for _ in servers]
    following = [
        asyncio.create_task(watch.follow(server.address, prep.id))
        for watch, server in zip(watches, servers, strict=True)
    ]
    try:
        for watch in watches:
            await watch.reached(1)
        yield servers, prep, watches
    finally:
        for task in following:
            task.cancel()
        await asyncio.gather(*following, return_exceptions=True)
        for server in servers:
            server.stop()


async def hear_changes(data: str, folder: Path, *, saves: int, seed: int) -> HeardRun:
    """Save on one server and the other in turn; time each until the device on the other is told."""
    chance = random.Random(seed)
    answered, sent = [], []
    async with _watched(data, folder) as (servers, prep, watches):
        lines = [HttpLine(server.address) for server in servers]
        for count in range(saves):
            place = count % 2
            began_s = time.perf_counter()
            said = await lines[place].post(f"/api/v1/preps/{prep.id}/readings", reading(prep, count))
            answered_s = time.perf_counter()
            told_s = await watches[1 - place].reached(said.json["revision"])
            answered.append(1e3 * max(0.0, told_s - answered_s))
            sent.append(1e3 * (told_s - began_s))
            await asyncio.sleep(PAUSE_S * chance.uniform(0.5, 1.5))
        for line in lines:
            line.drop()
    return HeardRun(after_answer_ms=tuple(answered), after_sending_ms=tuple(sent))


async def restart_database(data: str, folder: Path, *, times: int) -> RestartRun:
    """Restart the database under two servers; time until saves and live lines work on both again."""
    run, known = RestartRun(), set()
    async with _watched(data, folder) as (servers, prep, watches):
        path = f"/api/v1/preps/{prep.id}"
        for count in range(times):
            began_s = time.perf_counter()
            await asyncio.to_thread(_restarted, folder / "pg")
            up_s = time.perf_counter()
            run.away_s.append(up_s - began_s)
            for place, server in enumerate(servers):
                async with HttpLine(server.address) as line:
                    said = reading(prep, 2 * count + place)
                    while (answer := await line.post(f"{path}/readings", said)).status not in {200, 201}:
                        await asyncio.sleep(0.05)
                saved_s = time.perf_counter()
                known.add(said["id"])
                run.saved_s.append(saved_s - up_s)
                told_s = await watches[1 - place].reached(answer.json["revision"])
                run.heard_s.append(max(told_s, saved_s) - up_s)
            await asyncio.sleep(2)
        async with HttpLine(servers[0].address) as line:
            kept = {one["id"] for one in (await line.get(path)).json["readings"]}
        run.lost = len(known - kept)
        run.lines_ended = sum(watch.has_ended for watch in watches)
    return run


def _restarted(folder: Path) -> None:
    """Restart the PostgreSQL server of a folder with the options it was started with."""
    owner = (folder / "data").stat()
    program = next(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    words = ("restart", "-D", folder / "data", "-w", "-m", "fast", "-l", folder / "log")
    subprocess.run(
        [program, *words],
        check=True,
        stdout=subprocess.DEVNULL,
        user=owner.st_uid,
        group=owner.st_gid,
        cwd=folder,
    )
