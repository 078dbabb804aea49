"""Twenty clients add readings at once: how long each waits for its landing, and is any lost or double."""

import asyncio
import random
import statistics
import time
from dataclasses import dataclass

from benchmarks.web.house import new_prep, reading
from benchmarks.web.http_line import HttpLine

__all__ = ["CLIENTS", "SEED", "LoadRun", "RefreshRun", "percentile", "refresh_after", "run_load"]

CLIENTS = 20
SEED = 20
MOST_S = 120.0
JUDGED_S = 120.0
POLL_S = 0.02


@dataclass(frozen=True, kw_only=True)
class LoadRun:
    """What was measured: waits of the answers [ms], readings sent, kept and kept twice, time in all [s]."""

    waits_ms: tuple[float, ...]
    sent: int
    lost: int
    double: int
    refused: int
    took_s: float

    @property
    def each_s(self) -> float:
        """Readings a second."""
        return self.sent / self.took_s


async def run_load(
    address: str, *, each: int, pace_s: float | None, name: str, is_together: bool = False
) -> LoadRun:
    """Have twenty clients, each on its own line and prep, send readings.

    Parameters
    ----------
    each : int
        Readings that a client sends.
    pace_s : float or None
        How often each client sends [s]; None: on as soon as it is answered.
    is_together : bool
        Whether all send at the same instant; else each at moments of its own.
    """
    async with HttpLine(address) as line:
        preps = [await new_prep(line, f"{name}{count:02d}") for count in range(CLIENTS)]
    lines = [HttpLine(address) for _ in preps]
    await asyncio.gather(
        *(line.get(f"/api/v1/preps/{prep.id}") for line, prep in zip(lines, preps, strict=True))
    )
    waits: list[float] = []
    sent: list[set[str]] = [set() for _ in preps]
    refused = 0
    start, chance = time.perf_counter() + 0.2, random.Random(SEED)
    late_s = [[0.0 if is_together else chance.random() for _ in range(each)] for _ in preps]

    async def client(place: int) -> None:
        nonlocal refused
        for count in range(each):
            if pace_s is not None:
                at = start + pace_s * (count + late_s[place][count])
                await asyncio.sleep(max(0.0, at - time.perf_counter()))
            said = reading(preps[place], count)
            answer = await lines[place].post(f"/api/v1/preps/{preps[place].id}/readings", said)
            if answer.status != 201:
                refused += 1
                continue
            waits.append(answer.took_ms)
            sent[place].add(said["id"])

    began = time.perf_counter()
    async with asyncio.timeout(MOST_S):
        await asyncio.gather(*(client(place) for place in range(CLIENTS)))
    took_s = time.perf_counter() - began
    lost = double = 0
    for place, prep in enumerate(preps):
        kept = [one["id"] for one in (await lines[place].get(f"/api/v1/preps/{prep.id}")).json["readings"]]
        lost += len(sent[place] - set(kept))
        double += len(kept) - len(set(kept))
    for line in lines:
        line.drop()
    return LoadRun(
        waits_ms=tuple(waits), sent=len(waits), lost=lost, double=double, refused=refused, took_s=took_s
    )


@dataclass(frozen=True, kw_only=True)
class RefreshRun:
    """How long the verdict took after a reading in a prep of that many [s], and pages meanwhile [ms]."""

    count: int
    waits_s: tuple[float, ...]
    pages_ms: tuple[float, ...]


async def refresh_after(address: str, *, count: int, times: int) -> RefreshRun:
    """Fill a prep, then add readings one by one and wait each time for the verdict that holds it."""
    async with HttpLine(address) as line, HttpLine(address) as page:
        prep = await new_prep(line, "refresh")
        path = f"/api/v1/preps/{prep.id}"
        for place in range(count):
            await line.post(f"{path}/readings", reading(prep, place))
        await _until_current(line, path)
        waits, pages = [], []
        for place in range(times):
            said = reading(prep, count + place)
            began = time.perf_counter()
            await line.post(f"{path}/readings", said)
            judging = asyncio.create_task(_until_current(line, path))
            while not judging.done():
                pages.append((await page.get(f"/preps/{prep.id}")).took_ms)
            await judging
            waits.append(time.perf_counter() - began)
            await _withdrawn(line, path, said["id"])
    return RefreshRun(count=count, waits_s=tuple(waits), pages_ms=tuple(pages))


async def _withdrawn(line: HttpLine, path: str, reading_id: str) -> None:
    """Take the reading away again, so that the prep keeps its size."""
    await line.post(f"{path}/readings/{reading_id}/withdraw", {"reason": "measured", "who": "the load"})
    await _until_current(line, path)


async def _until_current(line: HttpLine, path: str) -> None:
    async with asyncio.timeout(JUDGED_S):
        while True:
            answer = await line.get(f"{path}/verdict")
            if answer.status == 200 and answer.json["is_current"]:
                return
            await asyncio.sleep(POLL_S)


def percentile(values: tuple[float, ...], share: float) -> float:
    """Give the value that a share of all does not exceed."""
    return statistics.quantiles(values, n=1000, method="inclusive")[round(1000 * share) - 1]
