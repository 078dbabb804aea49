"""``/healthz``: whether a server can work, for those who share requests out among several.

It is asked under any name and by any device, so it shows nothing of the house: only whether the record is
reached, and the version. Many who ask at once are one question to the record.
"""

import asyncio
import time
from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from shimwise import __version__
from shimwise.errors import ShimwiseError
from shimwise.web.security import SAFE_METHODS

PATH = "/healthz"
FRESH_S = 0.5
"""The record is asked as often as this at most. [s]"""
LONGEST_S = 2.0
"""A record that has not answered for so long is not reached. [s]"""
OK, SILENT, STOPPING = "ok", "no_answer", "stopping"


class Health:
    """Answers :data:`PATH` before everything else: 200 where the record is reached, else 503.

    Parameters
    ----------
    prove : callable
        Asks the record something, in a worker thread; raises a ShimwiseError where it cannot be used.
    is_stopping : callable
        Whether the server takes no more requests.
    """

    def __init__(self, app: ASGIApp, *, prove: Callable[[], None], is_stopping: Callable[[], bool]) -> None:
        self.app, self.prove, self.is_stopping = app, prove, is_stopping
        self._asked: asyncio.Task[str] | None = None
        self._asked_s = float("-inf")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or pass a request on."""
        if scope["type"] != "http" or scope["path"] != PATH or scope["method"] not in SAFE_METHODS:
            await self.app(scope, receive, send)
            return
        scope["endpoint"] = self  # the log of requests names the addresses that there are
        found = STOPPING if self.is_stopping() else await self._record()
        answer = JSONResponse(
            {"status": "ok" if found == OK else "unavailable", "record": found, "version": __version__},
            status_code=200 if found == OK else 503,
            headers={"cache-control": "no-store", "x-content-type-options": "nosniff"},
        )
        await answer(scope, receive, send)

    async def _record(self) -> str:
        now_s = time.monotonic()
        if self._asked is None or (self._asked.done() and now_s - self._asked_s > FRESH_S):
            self._asked, self._asked_s = asyncio.create_task(self._ask()), now_s
        asked = self._asked
        await asyncio.wait({asked}, timeout=LONGEST_S)
        return asked.result() if asked.done() else SILENT

    async def _ask(self) -> str:
        try:
            await run_in_threadpool(self.prove)
        except ShimwiseError as error:
            return error.code
        except Exception:  # whatever it is, the server cannot work
            return "fault"
        return OK
