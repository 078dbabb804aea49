"""What stands before the pages: foreign names and forged requests are refused, bodies limited, headers added.

Each is a plain ASGI middleware. :func:`guarded` joins them in their order.

References
----------
.. [1] W3C, *Content Security Policy Level 3*; *Fetch Metadata Request Headers*.
.. [2] RFC 6454, *The Web Origin Concept*; RFC 9110, section 7.2 (Host).
"""

import ipaddress
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes, urlsplit

from shimwise.web.refusal import header, refuse

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = [
    "LOOPBACK_NAMES",
    "POLICY",
    "SMALL_BYTES",
    "BodyLimit",
    "HostCheck",
    "Limits",
    "OriginCheck",
    "PlainAddress",
    "SafeHeaders",
    "guarded",
    "is_loopback",
    "own_path",
]

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
SMALL_BYTES = 2 * 1024**2
"""Most that a form or a JSON document may hold. [bytes]"""
POLICY = (
    "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
)
"""Nothing is loaded from elsewhere, nothing inline is run, nobody frames the pages."""

_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",  # "no-referrer" would make the browser hide the origin of our own forms
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
}
_UNCACHED = "private, no-cache"


def is_loopback(host: str) -> bool:
    """Tell whether a name or address reaches this machine only."""
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How large a request's body may be. [bytes]

    ``large`` holds (pattern of the path, limit): the first that matches counts, else ``small_bytes``.
    """

    small_bytes: int = SMALL_BYTES
    large: tuple[tuple[re.Pattern[str], int], ...] = ()

    def of(self, path: str) -> int:
        """Give the limit of a path."""
        return next((limit for pattern, limit in self.large if pattern.search(path)), self.small_bytes)


def guarded(
    app: "ASGIApp",
    *,
    names: Iterable[str] = LOOPBACK_NAMES,
    limits: Limits | None = None,
    inner: Callable[["ASGIApp"], "ASGIApp"] | None = None,
) -> "ASGIApp":
    """Put an application behind all of it.

    Parameters
    ----------
    names : iterable of str
        Names under which the pages may be asked for, without port; the address a request came in by is
        accepted too.
    limits : Limits, optional
        Of bodies.
    inner : callable, optional
        Wraps the application within host and origin checks and before the body is read: the check that a
        device is paired.
    """
    limited: ASGIApp = BodyLimit(app, limits or Limits())
    inside = PlainAddress(inner(limited) if inner else limited)
    return SafeHeaders(HostCheck(OriginCheck(inside), names))


class HostCheck:
    """Refuses a request that names another host: a foreign page whose name was bent to this address.

    An address is accepted when it is the one by which the request came in, since no name was looked up.
    """

    def __init__(self, app: "ASGIApp", names: Iterable[str]) -> None:
        self.app, self.names = app, frozenset(name.casefold().strip("[]") for name in names)

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] == "http" and not self._is_ours(scope):
            await refuse(
                scope,
                send,
                status=403,
                title="Another address",
                detail="These pages do not answer to the name in the address. Open them by the address that "
                "`shimwise serve` printed, or start it with --name and this name.",
            )
            return
        await self.app(scope, receive, send)

    def _is_ours(self, scope: "Scope") -> bool:
        host = _host_name(header(scope, "host") or "")
        if host is None:
            return False
        server = scope.get("server") or ("", 0)
        return host in self.names or (_is_address(host) and host == str(server[0]).casefold())


class OriginCheck:
    """Refuses what a foreign page has a browser send: forged forms and scripts, and its looks at our data.

    Browsers tell where a request comes from (``Sec-Fetch-Site``, ``Origin``). One that changes something and
    tells neither is taken from programs only: below ``/api/``.
    """

    def __init__(self, app: "ASGIApp") -> None:
        self.app = app

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] == "http" and not self._is_own(scope):
            await refuse(
                scope,
                send,
                status=403,
                title="Not from these pages",
                detail="This was sent by another page, so nothing was changed. Open the pages themselves and "
                "do it there.",
            )
            return
        await self.app(scope, receive, send)

    def _is_own(self, scope: "Scope") -> bool:
        is_safe = scope["method"] in SAFE_METHODS
        site = header(scope, "sec-fetch-site")
        if site is not None and site not in {"same-origin", "none"}:
            return is_safe and header(scope, "sec-fetch-mode") == "navigate"
        if is_safe:
            return True
        origin = header(scope, "origin")
        if origin is not None:
            return _is_same_origin(origin, scope)
        return site is not None or str(scope["path"]).startswith("/api/")


class PlainAddress:
    """Refuses an address with the character U+0000, which stands in no text that could be looked up."""

    def __init__(self, app: "ASGIApp") -> None:
        self.app = app

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] == "http" and "\x00" in scope["path"]:
            await refuse(
                scope,
                send,
                status=404,
                title="There is no such address",
                detail="The address holds a character that stands in no name (U+0000). Look it up from the "
                "preps, bodies, lenses or sets.",
            )
            return
        if scope["type"] == "http" and b"\x00" in unquote_to_bytes(scope["query_string"]):
            await refuse(
                scope,
                send,
                status=400,
                title="The request cannot be read",
                detail="What is asked for holds a character that stands in no text (U+0000). Type it again.",
            )
            return
        await self.app(scope, receive, send)


class SafeHeaders:
    """Adds to every answer what keeps a browser strict; an answer's own header of that name stands."""

    def __init__(self, app: "ASGIApp") -> None:
        self.app = app

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        added = {**_HEADERS, "cache-control": _UNCACHED}

        async def send_with(message: "Message") -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", ()))
                there = {name.lower() for name, _ in headers}
                headers += [
                    (name.encode("latin-1"), value.encode("latin-1"))
                    for name, value in added.items()
                    if name.encode("latin-1") not in there
                ]
                message = {**message, "headers": headers}
            await send(message)

        await self.app(scope, receive, send_with)


class BodyLimit:
    """Refuses a body that is too large: at once where its length is told, else when it has grown too long."""

    def __init__(self, app: "ASGIApp", limits: Limits) -> None:
        self.app, self.limits = app, limits

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        limit = self.limits.of(scope["path"])
        told = header(scope, "content-length")
        if told is not None and (not told.isdecimal() or int(told) > limit):
            await _refuse_large(scope, send, limit)
            return
        await self._watched(scope, receive, send, limit)

    async def _watched(self, scope: "Scope", receive: "Receive", send: "Send", limit: int) -> None:
        got, is_over, has_answered = 0, False, False

        async def counted() -> "Message":
            nonlocal got, is_over
            message = await receive()
            if message["type"] == "http.request":
                got += len(message.get("body", b""))
                if got > limit:
                    is_over = True
                    raise _TooLargeError
            return message

        async def watched(message: "Message") -> None:
            nonlocal has_answered
            if is_over and not has_answered:
                return  # whatever the application makes of the broken body, the refusal below is the answer
            has_answered = True
            await send(message)

        try:
            await self.app(scope, counted, watched)
        except _TooLargeError:
            if has_answered:
                raise
        if is_over and not has_answered:
            await _refuse_large(scope, send, limit)


class _TooLargeError(Exception):
    """Raised inside the application when the body it reads has grown beyond the limit."""


async def _refuse_large(scope: "Scope", send: "Send", limit: int) -> None:
    await refuse(
        scope,
        send,
        status=413,
        title="Too large",
        detail=f"More than {limit / 1024**2:g} MB was sent, the limit here. Nothing was kept. Send less, "
        "or in several parts.",
        headers={"Connection": "close"},
    )


def own_path(path: str) -> str:
    """Give a path of these pages; one that would lead elsewhere becomes the first page."""
    is_ours = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if is_ours and path.isprintable() else "/"


def _host_name(host: str) -> str | None:
    """Give the name of a Host header without its port; None where it is none."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return None
    is_plain = parts.hostname and parts.username is None and not (parts.path or parts.query or parts.fragment)
    return parts.hostname.casefold() if is_plain and parts.hostname else None


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _is_same_origin(origin: str, scope: "Scope") -> bool:
    host = header(scope, "host") or ""
    return origin.casefold() == f"{scope['scheme']}://{host}".casefold()
