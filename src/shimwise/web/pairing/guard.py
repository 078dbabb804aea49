"""Who is let through: the devices that the record holds as paired, as it was a moment ago."""

import asyncio
import contextlib
import time
from collections.abc import Callable
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shimwise.bench.access.pairing import Device, devices, see_device, token_digest
from shimwise.bench.exchange.record_admin import Record
from shimwise.errors import ShimwiseError
from shimwise.web.refusal import Refusal, bearer_token, cookie, header, wants_json
from shimwise.web.security import REQUESTS

COOKIE = "shimwise_device"
RETRY_S = 1
FRESH_S = 2.0
"""A device that was un-paired elsewhere is shut out within this time. [s]"""
SEEN_EVERY_S = 600.0
"""When a device was last seen is kept as often as this. [s]"""
LINES = "/live/"
"""Below this an answer stays open, no longer than its device is paired."""
LOOK_S = 3.0
"""The line of a device that was un-paired ends within about this time. [s]"""
NOT_PAIRED = Refusal(
    401,
    "Not paired",
    "This device is not paired with the house, or no more. Open the pages and pair it; "
    "what was typed on them waits here.",
    {"WWW-Authenticate": "Bearer"},
)
OPEN_PATHS = ("/static/", "/pair/")
OPEN_PAGES = frozenset({"/pair", "/worker.js"})


class Devices:
    """The paired devices, as the record held them a moment ago."""

    def __init__(self, record: Record, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.record, self.clock = record, clock
        self._known: dict[str, Device] = {}
        self._read_at = float("-inf")
        self._seen_s: dict[str, float] = {}

    def of(self, token: str | None) -> Device | None:
        """Return the device that holds a token, or None."""
        if not token:
            return None
        digest = token_digest(token)
        # One that is not known may have been paired a moment ago by another server.
        if self.clock() - self._read_at > FRESH_S or digest not in self._known:
            self.read()
        device = self._known.get(digest)
        if device is not None and device.expires_at <= self.record.clock():
            return None
        if device is not None:
            self._see(device)
        return device

    def _see(self, device: Device) -> None:
        now_s = self.clock()
        if now_s - self._seen_s.get(device.id, float("-inf")) >= SEEN_EVERY_S:
            self._seen_s[device.id] = now_s
            with contextlib.suppress(ShimwiseError):  # a record that is busy or full shuts nobody out
                see_device(self.record, device.id)

    def read(self) -> None:
        """Read them again from the record."""
        self._known = {device.digest: device for device in devices(self.record)}
        self._read_at = self.clock()


class PairedOnly:
    """Lets only paired devices through; others are shown where to pair."""

    def __init__(self, app: ASGIApp, known: Devices) -> None:
        self.app, self.known = app, known

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] not in REQUESTS or _is_open(scope["path"]):
            await self.app(scope, receive, send)
            return
        try:
            device = await run_in_threadpool(self.known.of, _token(scope))
        except ShimwiseError as error:  # the record is away; nobody is let in meanwhile
            away = Refusal(503, "The record cannot be reached now", str(error), {"Retry-After": str(RETRY_S)})
            await away.answer(scope, send)
            return
        if device is not None:
            scope.setdefault("state", {})["device"] = device
            if scope["path"].startswith(LINES):
                receive = while_paired(
                    receive, lambda: self.known.of(_token(scope)) is not None, kind=scope["type"]
                )
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket" or _is_no_page(scope):
            await NOT_PAIRED.answer(scope, send)
        else:
            await RedirectResponse(f"/pair?next={quote(_wanted(scope))}", status_code=303)(
                scope, receive, send
            )


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


def _is_no_page(scope: Scope) -> bool:
    return bool(wants_json(scope) or header(scope, "hx-request") or scope["method"] not in {"GET", "HEAD"})


def _is_open(path: str) -> bool:
    return path in OPEN_PAGES or path.startswith(OPEN_PATHS)


def _token(scope: Scope) -> str:
    return bearer_token(scope) or cookie(scope, COOKIE)


def _wanted(scope: Scope) -> str:
    query = scope["query_string"].decode("latin-1")
    return f"{scope['path']}?{query}" if query else str(scope["path"])
