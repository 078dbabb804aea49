"""Connections that say nothing, and many sheets checked at once: how long pages wait meanwhile."""

import asyncio
import base64
import contextlib
import time
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from benchmarks.web.http_line import HttpLine
from shimwise.web.connections import most_connections

__all__ = ["BurstRun", "IdleRun", "a_sheet", "idle_crowd", "verify_burst"]

PAGE = "/"
PAUSE_S = 0.2
AGAIN_S = 1.0
MOST_S = 300.0


@dataclass(frozen=True, kw_only=True)
class IdleRun:
    """Connections that were held, how often one was opened, waits for a page [ms], lines of the log."""

    held: int
    opened: int
    pages_ms: tuple[float, ...]
    missed: int
    log_lines: int
    log_bytes: int


@dataclass(frozen=True, kw_only=True)
class BurstRun:
    """Sheets sent at once, how each was answered, until the last answer [s], waits for a page [ms]."""

    sent: int
    statuses: dict[int, int]
    took_s: float
    pages_ms: tuple[float, ...]


async def idle_crowd(address: str, log: Path, *, held: int, for_s: float, is_opened_again: bool) -> IdleRun:
    """Open connections that say nothing, and again where one is ended. Ask for a page meanwhile.

    Each page is asked for on a new connection, as somebody would who just opens it.
    """
    most_connections()  # this process needs as many files
    parts = urlsplit(address)
    before = log.read_bytes()
    opened, until = 0, time.monotonic() + for_s

    async def silent() -> None:
        nonlocal opened
        while time.monotonic() < until:
            writer = None
            with contextlib.suppress(OSError):
                opened += 1
                reader, writer = await asyncio.open_connection(parts.hostname, parts.port)
                async with asyncio.timeout(max(0.1, until - time.monotonic())):
                    await reader.read()
            if writer is not None:
                writer.close()
            if not is_opened_again:
                return
            await asyncio.sleep(AGAIN_S)

    crowd = [asyncio.create_task(silent()) for _ in range(held)]
    await asyncio.sleep(1.0)
    pages, missed = [], 0
    while time.monotonic() < until:
        async with HttpLine(address) as line:
            try:
                pages.append((await line.get(PAGE)).took_ms)
            except (OSError, EOFError):
                missed += 1
        await asyncio.sleep(PAUSE_S)
    await asyncio.gather(*crowd, return_exceptions=True)
    said = log.read_bytes()[len(before) :]
    return IdleRun(
        held=held,
        opened=opened,
        pages_ms=tuple(pages),
        missed=missed,
        log_lines=said.count(b"\n"),
        log_bytes=len(said),
    )


async def a_sheet(address: str) -> bytes:
    """Have the sheet of the prep printed that a demonstration holds."""
    async with HttpLine(address, patience_s=MOST_S) as line:
        preps = (await line.get("/api/v1/preps")).json["preps"]
        prep_id = next(prep["id"] for prep in preps if prep["state"] == "open")
        return (await line.get(f"/preps/{prep_id}/papers/check-sheet.pdf")).body


async def verify_burst(address: str, sheet: bytes, *, sent: int) -> BurstRun:
    """Have a sheet checked many times at once; ask for a page meanwhile."""
    said = {"pdf_base64": base64.b64encode(sheet).decode()}
    statuses: dict[int, int] = {}

    async def one() -> None:
        async with HttpLine(address, patience_s=MOST_S) as line:
            answer = await line.post("/api/v1/papers/verify", said)
            statuses[answer.status] = statuses.get(answer.status, 0) + 1

    began = time.perf_counter()
    burst = asyncio.gather(*(one() for _ in range(sent)))
    pages = []
    while not burst.done():
        async with HttpLine(address) as line:
            pages.append((await line.get(PAGE)).took_ms)
        await asyncio.sleep(PAUSE_S / 4)
    await burst
    return BurstRun(
        sent=sent,
        statuses=statuses,
        took_s=time.perf_counter() - began,
        pages_ms=tuple(pages),
    )
