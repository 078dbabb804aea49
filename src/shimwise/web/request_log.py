"""A request's id: in the answer, and in every line of the log that is written while it is answered.

The line of a request itself names no person and no secret: names and codes in an address are left out, as is
all that follows its question mark.
"""

import logging
import re
import time
import uuid
from collections.abc import Container, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shimwise.web.refusal import header
from shimwise.web.security import REQUESTS

HEADER = "x-request-id"
WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")
LINE = "%(asctime)s %(levelname)s %(request_id)s %(message)s"
_ID: ContextVar[str] = ContextVar("request_id", default="-")
_LOG = logging.getLogger("shimwise.requests")


class RequestIds:
    """Gives each request its id, and writes each to the log where that is asked for.

    Parameters
    ----------
    proxies : container of str
        Addresses of proxies, whose ids are taken over where they are well-formed.
    """

    def __init__(self, app: ASGIApp, *, proxies: Container[str] = ()) -> None:
        self.app, self.proxies = app, proxies

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""
        if scope["type"] not in REQUESTS:
            await self.app(scope, receive, send)
            return
        request_id, began_s, status = self._id_of(scope), time.perf_counter(), 0
        _ID.set(request_id)

        async def send_with_id(message: Message) -> None:
            nonlocal status
            if message["type"] in {"http.response.start", "websocket.http.response.start"}:
                status = message["status"]
                headers = [*message.get("headers", ()), (HEADER.encode(), request_id.encode())]
                message = {**message, "headers": headers}
            await send(message)

        try:
            await self.app(scope, receive, send_with_id)
        finally:
            if _LOG.isEnabledFor(logging.INFO):
                took_ms = 1e3 * (time.perf_counter() - began_s)
                _LOG.info("%s %s %d %.0f ms", scope.get("method", "LINE"), _address(scope), status, took_ms)

    def _id_of(self, scope: Scope) -> str:
        sent = header(scope, HEADER)
        is_trusted = (scope.get("client") or ("",))[0] in self.proxies
        return sent if sent and is_trusted and WELL_FORMED.fullmatch(sent) else uuid.uuid4().hex


def _address(scope: Scope) -> str:
    """Return the address with its ids left out; empty if it is unknown or refused."""
    if "endpoint" not in scope:
        return "-"
    path = str(scope["path"])
    given = sorted(scope.get("path_params", {}).items(), key=lambda one: -len(str(one[1])))
    for name, value in given:
        path = path.replace(str(value), f"{{{name}}}") if str(value) else path
    return path


@contextmanager
def logged(*, has_requests: bool = False) -> Iterator[None]:
    """Write warnings to the terminal, each with time and request; ``has_requests``: each request too."""
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter(LINE))
    handler.addFilter(_with_id)
    root = logging.getLogger()
    root.addHandler(handler)
    level = _LOG.level
    _LOG.setLevel(logging.INFO if has_requests else level)
    try:
        yield
    finally:
        root.removeHandler(handler)
        _LOG.setLevel(level)


def _with_id(record: logging.LogRecord) -> bool:
    record.request_id = _ID.get()
    return True
