"""A line that stays open, as for live changes, lasts no longer than its device is paired."""

import asyncio
import contextlib
import time
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.types import Message, Receive

from shimwise.errors import ShimwiseError

LOOK_S = 3.0
"""The line of a device that was un-paired ends within about this time. [s]"""


def while_paired(receive: Receive, is_paired: Callable[[], bool], *, kind: str = "http") -> Receive:
    """Wrap what an application receives: a device that is not paired any more has left.

    Parameters
    ----------
    receive : callable
        The server's.
    is_paired : callable
        Asked from time to time, in a worker thread; where the record cannot be asked, the line stays.
    kind : str
        ``http``, or ``websocket``, on which much may be received.
    """
    asked_s = time.monotonic()

    async def received() -> Message:
        nonlocal asked_s
        coming = asyncio.ensure_future(receive())
        try:
            while True:
                await asyncio.wait({coming}, timeout=LOOK_S)
                if time.monotonic() - asked_s >= LOOK_S:
                    if not await _asked(is_paired):
                        return {"type": f"{kind}.disconnect"}
                    asked_s = time.monotonic()
                if coming.done():
                    return coming.result()
        finally:
            coming.cancel()

    return received


async def _asked(is_paired: Callable[[], bool]) -> bool:
    with contextlib.suppress(ShimwiseError):
        return await run_in_threadpool(is_paired)
    return True
