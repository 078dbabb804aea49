"""Security middleware: foreign names and forged requests are refused, bodies limited, headers added.

A web socket, by which a page sends its camera's frames, passes the same checks as a form.

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
from typing import TypeAlias
from urllib.parse import unquote_to_bytes, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shimwise.web.refusal import Refusal, header

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
REQUESTS = frozenset({"http", "websocket"})
FOREIGN = Refusal(
    403,
    "Not from these pages",
    "This was sent by another page, so nothing was changed. Open the pages themselves and do it there.",
)
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
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "cache-control": "private, no-cache",
}


def camera_headers(address: str) -> dict[str, str]:
    """Return the headers of a page that films: it may open a camera, and a line for its frames to us alone.

    Parameters
    ----------
    address : str
        Scheme and host by which the page was asked for, checked before: ``https://bench.example:8052``.
    """
    line = f"ws{address.removeprefix('http')}"
    return {
        "Content-Security-Policy": POLICY.replace("connect-src 'self'", f"connect-src 'self' {line}"),
        "Permissions-Policy": _HEADERS["permissions-policy"].replace("camera=()", "camera=(self)"),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeLimits:
    """How large a request's body may be. [bytes]

    ``large`` holds (pattern of the path, limit): the first that matches counts, else ``small_bytes``.
    """

    small_bytes: int = SMALL_BYTES
    large: tuple[tuple[re.Pattern[str], int], ...] = ()

    def of(self, path: str) -> int:
        """Return the limit of a path."""
        return next((limit for pattern, limit in self.large if pattern.search(path)), self.small_bytes)


def guarded(
    app: ASGIApp,
    *,
    names: Iterable[str] = LOOPBACK_NAMES,
    limits: SizeLimits | None = None,
    inner: Callable[[ASGIApp], ASGIApp] | None = None,
) -> ASGIApp:
    """Wrap an application in all of it.

    Parameters
    ----------
    names : iterable of str
        Names under which the pages may be asked for, without port; the address a request came in by is
        accepted too.
    limits : SizeLimits, optional
        Of bodies.
    inner : callable, optional
        Wraps the application within host and origin checks and before the body is read: the check that a
        device is paired.
    """
    limited: ASGIApp = BodyLimit(app, limits or SizeLimits())
    inside = inner(limited) if inner else limited
    return SafeHeaders(Gate(inside, host_check(names), origin_check, plain_address))


_Check: TypeAlias = Callable[[Scope], Refusal | None]


class Gate:
    """Refuses a request, or a web socket, at the first of its checks that it does not pass."""

    def __init__(self, app: ASGIApp, *checks: _Check) -> None:
        self.app, self.checks = app, checks

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        for check in self.checks if scope["type"] in REQUESTS else ():
            refusal = check(scope)
            if refusal is not None:
                await refusal.answer(scope, send)
                return
        await self.app(scope, receive, send)


def host_check(names: Iterable[str]) -> _Check:
    """Return the check that a request names one of our hosts: a foreign name may be bent to this address.

    An address is accepted if it is the one by which the request came in, since no name was looked up.
    """
    ours = frozenset(name.casefold().strip("[]") for name in names)
    refusal = Refusal(
        403,
        "Another address",
        "These pages do not answer to the name in the address. Open them by the address that "
        "`shimwise serve` printed, or start it with --name and this name.",
    )

    def check(scope: Scope) -> Refusal | None:
        host = _host_name(header(scope, "host") or "")
        server = str((scope.get("server") or ("", 0))[0]).casefold()
        is_ours = host is not None and (host in ours or (ip_address_of(host) and host == server))
        return None if is_ours else refusal

    return check


def origin_check(scope: Scope) -> Refusal | None:
    """Refuse what a foreign page has a browser send: forged forms and scripts, and its looks at our data.

    Browsers send where a request comes from (``Sec-Fetch-Site``, ``Origin``). One that changes something and
    has neither is taken from programs only: below ``/api/``. A web socket has to name its origin.
    """
    if scope["type"] == "websocket":
        origin = header(scope, "origin")
        is_own = origin is not None and _is_same_origin(origin, scope)
        return None if is_own else FOREIGN
    is_safe = scope["method"] in SAFE_METHODS
    site, origin = header(scope, "sec-fetch-site"), header(scope, "origin")
    if site is not None and site not in {"same-origin", "none"}:
        is_own = is_safe and header(scope, "sec-fetch-mode") == "navigate"
    elif is_safe:
        is_own = True
    elif origin is not None:
        is_own = _is_same_origin(origin, scope)
    else:
        is_own = site is not None or str(scope["path"]).startswith("/api/")
    return None if is_own else FOREIGN


def plain_address(scope: Scope) -> Refusal | None:
    """Refuse an address with the character U+0000, which is in no text that could be looked up."""
    if "\x00" in scope["path"]:
        return Refusal(
            404,
            "There is no such address",
            "The address holds a character that is in no name (U+0000). Look it up from the preps, bodies, "
            "lenses or sets.",
        )
    if b"\x00" in unquote_to_bytes(scope["query_string"]):
        return Refusal(
            400,
            "The request cannot be read",
            "What is asked for holds a character that is in no text (U+0000). Type it again.",
        )
    return None


class SafeHeaders:
    """Adds to every answer what keeps a browser strict; an answer's own header of that name is kept."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=list(message.get("headers", ())))
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
                message = {**message, "headers": headers.raw}
            await send(message)

        await self.app(scope, receive, send_with)


class BodyLimit:
    """Refuses a body that is too large: at once if its length is declared, else once it has grown."""

    def __init__(self, app: ASGIApp, limits: SizeLimits) -> None:
        self.app, self.limits = app, limits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        limit = self.limits.of(scope["path"])
        declared = header(scope, "content-length")
        if declared is not None and (not declared.isdecimal() or int(declared) > limit):
            await _too_large(limit).answer(scope, send)
            return
        await self._watched(scope, receive, send, limit)

    async def _watched(self, scope: Scope, receive: Receive, send: Send, limit: int) -> None:
        got, is_over, has_answered = 0, False, False

        async def counted() -> Message:
            nonlocal got, is_over
            message = await receive()
            if message["type"] == "http.request":
                got += len(message.get("body", b""))
                if got > limit:
                    is_over = True
                    raise _TooLargeError
            return message

        async def watched(message: Message) -> None:
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
            await _too_large(limit).answer(scope, send)


class _TooLargeError(Exception):
    """Raised inside the application when the body it reads has grown beyond the limit."""


def _too_large(limit: int) -> Refusal:
    return Refusal(
        413,
        "Too large",
        f"More than {limit / 1024**2:g} MB was sent, the limit here. Nothing was kept. Send less, "
        "or in several parts.",
        {"Connection": "close"},
        {"limit_bytes": limit},
    )


def own_path(path: str) -> str:
    """Return a path of these pages; one that would lead elsewhere becomes the first page."""
    is_ours = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if is_ours and path.isprintable() else "/"


def _host_name(host: str) -> str | None:
    """Return the name of a Host header without its port; None if it is none."""
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return None
    is_plain = parts.hostname and parts.username is None and not (parts.path or parts.query or parts.fragment)
    return parts.hostname.casefold() if is_plain and parts.hostname else None


def ip_address_of(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    """Return a host as an address; None if it is a name."""
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def _is_same_origin(origin: str, scope: Scope) -> bool:
    host = header(scope, "host") or ""
    scheme = {"ws": "http", "wss": "https"}.get(scope["scheme"], scope["scheme"])
    return origin.casefold() == f"{scheme}://{host}".casefold()
