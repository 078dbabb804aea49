"""A line that stays open, as for live changes, lasts no longer than its device is paired."""

import asyncio
import contextlib
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.types import Message, Receive

from shimwise.errors import ShimwiseError

LOOK_S = 3.0
"""The line of a device that was un-paired ends within about this time. [s]"""


def while_paired(receive: Receive, is_paired: Callable[[], bool]) -> Receive:
    """Wrap what an application receives: a device that is not paired any more has left.

    Parameters
    ----------
    receive : callable
        The server's.
    is_paired : callable
        Asked from time to time, in a worker thread; where the record cannot be asked, the line stays.
    """

    async def received() -> Message:
        coming = asyncio.ensure_future(receive())
        try:
            while not coming.done():
                await asyncio.wait({coming}, timeout=LOOK_S)
                if not coming.done() and not await _asked(is_paired):
                    return {"type": "http.disconnect"}
            return coming.result()
        finally:
            coming.cancel()

    return received


async def _asked(is_paired: Callable[[], bool]) -> bool:
    with contextlib.suppress(ShimwiseError):
        return await run_in_threadpool(is_paired)
    return True
