"""Pairing: beyond this machine only devices that were paired see the pages.

A device is paired by the house's passphrase, or by a code that a paired device or the terminal shows as a QR
code: short-lived, good for one device. Both give it a random token in a cookie; the record keeps its digest.

References
----------
.. [1] RFC 6265, *HTTP State Management Mechanism*, and its revision (SameSite); RFC 6750 (bearer tokens).
"""

import contextlib
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Protocol
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from shimwise.bench.house_access import (
    Device,
    devices,
    is_passphrase,
    pair_device,
    see_device,
    token_digest,
    unpair_device,
)
from shimwise.bench.refusals import InputError
from shimwise.bench.typed_names import optional_name
from shimwise.errors import ShimwiseError
from shimwise.web.open_lines import while_paired
from shimwise.web.pages.deps import remember
from shimwise.web.pages.view import LONGEST_NAME, person_of, when
from shimwise.web.refusal import header, page, refuse, wants_json

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

    from shimwise.bench.keeping import Record

__all__ = ["CODE_S", "COOKIE", "Codes", "Devices", "PairedOnly", "Tries", "pairing_routes", "qr_svg"]

COOKIE = "shimwise_device"
COOKIE_S = 90 * 24 * 3600
CODE_S = 300.0
"""A code to pair by is good for this long. [s]"""
MOST_CODES = 20
RETRY_S = 1
FRESH_S = 2.0
"""A device that was un-paired elsewhere is shut out within this time. [s]"""
SEEN_EVERY_S = 600.0
"""When a device was last seen is kept as often as this. [s]"""
LINES = "/live/"
"""Below this an answer stays open."""
OPEN_PATHS = ("/static/", "/pair/")
OPEN_PAGES = frozenset({"/pair", "/worker.js"})


class Clock(Protocol):
    """Gives seconds that only grow."""

    def __call__(self) -> float:
        """Give the seconds now."""


class Tries:
    """Counts how often pairing was tried: few times a minute from one address, and not many in all.

    Parameters
    ----------
    each, most : int
        Tries within ``within_s`` from one address, and from all together.
    """

    def __init__(
        self, *, each: int = 5, most: int = 30, within_s: float = 60.0, clock: Clock = time.monotonic
    ) -> None:
        self.each, self.most, self.within_s, self.clock = each, most, within_s, clock
        self._lock = threading.Lock()
        self._tries: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str) -> float:
        """Count a try; gives how long to wait before it is taken, 0 where it is taken. [s]"""
        now = self.clock()
        with self._lock:
            while self._tries and self._tries[0][0] <= now - self.within_s:
                self._tries.popleft()
            own = [at for at, who in self._tries if who == address]
            if len(own) >= self.each:
                return own[-self.each] + self.within_s - now
            if len(self._tries) >= self.most:
                return self._tries[0][0] + self.within_s - now
            self._tries.append((now, address))
        return 0.0

    def forgive(self, address: str) -> None:
        """Forget the tries of an address, after one that was right."""
        with self._lock:
            self._tries = deque((at, who) for at, who in self._tries if who != address)


class Codes:
    """The codes to pair by that are out: each for one device, and for :data:`CODE_S` seconds."""

    def __init__(self, *, clock: Clock = time.monotonic) -> None:
        self.clock = clock
        self._lock = threading.Lock()
        self._until: dict[str, float] = {}

    def make(self) -> str:
        """Give a new code; the oldest is void when too many are out."""
        code = secrets.token_urlsafe(24)
        with self._lock:
            self._drop_old()
            while len(self._until) >= MOST_CODES:
                del self._until[next(iter(self._until))]
            self._until[token_digest(code)] = self.clock() + CODE_S
        return code

    def is_good(self, code: str) -> bool:
        """Tell whether a code would be taken now; it stays good."""
        with self._lock:
            self._drop_old()
            return token_digest(code) in self._until

    def take(self, code: str) -> bool:
        """Take a code: True for the first who brings it in time."""
        with self._lock:
            self._drop_old()
            return self._until.pop(token_digest(code), None) is not None

    def _drop_old(self) -> None:
        now = self.clock()
        for digest in [digest for digest, until in self._until.items() if until <= now]:
            del self._until[digest]


class Devices:
    """The paired devices, as the record held them a moment ago."""

    def __init__(self, record: "Record", *, clock: Clock = time.monotonic) -> None:
        self.record, self.clock = record, clock
        self._known: dict[str, Device] = {}
        self._read_at = float("-inf")
        self._seen_s: dict[str, float] = {}

    def of(self, token: str | None) -> Device | None:
        """Give the device that holds a token, or None."""
        if not token:
            return None
        if self.clock() - self._read_at > FRESH_S:
            self.read()
        device = self._known.get(token_digest(token))
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

    def __init__(self, app: "ASGIApp", known: Devices) -> None:
        self.app, self.known = app, known

    async def __call__(self, scope: "Scope", receive: "Receive", send: "Send") -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http" or _is_open(scope["path"]):
            await self.app(scope, receive, send)
            return
        try:
            device = await run_in_threadpool(self.known.of, _token(scope))
        except ShimwiseError as error:  # the record is away; nobody is let in meanwhile
            await refuse(
                scope,
                send,
                status=503,
                title="The record cannot be reached now",
                detail=str(error),
                headers={"Retry-After": str(RETRY_S)},
            )
            return
        if device is not None:
            scope.setdefault("state", {})["device"] = device
            if scope["path"].startswith(LINES):
                receive = while_paired(receive, lambda: self.known.of(_token(scope)) is not None)
            await self.app(scope, receive, send)
        elif wants_json(scope) or header(scope, "hx-request") or scope["method"] not in {"GET", "HEAD"}:
            await refuse(
                scope,
                send,
                status=401,
                title="Not paired",
                detail="This device is not paired with the house, or no more. Open the pages and pair it; "
                "what was typed on them waits here.",
                headers={"WWW-Authenticate": "Bearer"},
            )
        else:
            await RedirectResponse(f"/pair?next={quote(_wanted(scope))}", status_code=303)(
                scope, receive, send
            )


def pairing_routes(
    record: "Record", *, known: Devices, codes: Codes, tries: Tries | None = None
) -> Sequence[Route]:
    """Give the routes by which devices are paired and un-paired: below ``/pair`` and ``/devices``."""
    door = _Door(record, known, codes, tries or Tries())
    return (
        Route("/pair", door.by_passphrase, methods=["GET", "POST"]),
        Route("/pair/{code}", door.by_code, methods=["GET", "POST"]),
        Route("/devices", door.list, methods=["GET"]),
        Route("/devices/code", door.show_code, methods=["POST"]),
        Route("/devices/program", door.show_program, methods=["POST"]),
        Route("/devices/{device_id}/unpair", door.unpair, methods=["POST"]),
    )


def qr_svg(text: str) -> str:
    """Draw a QR code as SVG to stand in a page: dark on light in both themes."""
    import segno

    drawn: str = segno.make(text, error="m").svg_inline(
        scale=6, border=4, dark="#000", light="#fff", title="QR code to pair a device"
    )
    return drawn


class _Door:
    """The handlers, with what they share."""

    def __init__(self, record: "Record", known: Devices, codes: Codes, tries: Tries) -> None:
        self.record, self.known, self.codes, self.tries = record, known, codes, tries

    async def by_passphrase(self, request: Request) -> Response:
        """Pair a device by the house's passphrase."""
        if request.method == "GET":
            return _page(request, "Pair this device", _passphrase_form(request, _Typed(request), ""))
        form = await request.form()
        typed, passphrase = _Typed(request, form), str(form.get("passphrase", ""))
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return _too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, passphrase):
            words = "This is not the house's passphrase. Nothing else was wrong; type it again."
            return _page(request, "Pair this device", _passphrase_form(request, typed, words), status=403)
        self.tries.forgive(_address(request))
        return await self._paired(
            request, typed, "passphrase", lambda why: _passphrase_form(request, typed, why)
        )

    async def by_code(self, request: Request) -> Response:
        """Pair a device by a code: asked first, so that a look at the link uses nothing up."""
        code = request.path_params["code"]
        if request.method == "GET":
            if not self.codes.is_good(code):
                return _page(request, "Code no longer good", _CODE_GONE, status=410)
            return _page(request, "Pair this device", _code_form(request, _Typed(request), ""))
        typed = _Typed(request, await request.form())
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return _too_many(request, wait_s)
        try:
            optional_name(typed.name, field="name")  # before the code is used up
        except InputError as error:
            return _page(request, "Pair this device", _code_form(request, typed, error.reason), status=422)
        if not self.codes.take(code):
            return _page(request, "Code no longer good", _CODE_GONE, status=410)
        self.tries.forgive(_address(request))
        return await self._paired(request, typed, "code", lambda why: _passphrase_form(request, typed, why))

    async def list(self, request: Request) -> Response:
        """Show the devices that are paired."""
        await run_in_threadpool(self.known.read)
        return await self._devices_page(request)

    async def show_code(self, request: Request) -> Response:
        """Show a code by which one more device is paired."""
        refused = await self._passphrase_missing(request)
        if refused is not None:
            return refused
        address = f"{request.url.scheme}://{request.headers['host']}/pair/{self.codes.make()}"
        return _page(
            request,
            "Scan to pair a device",
            f"<p>Good for one device, for {CODE_S / 60:.0f} minutes. Scan it with the device's camera.</p>"
            f'{qr_svg(address)}<p class="quiet">{escape(address)}</p>'
            '<p><a class="btn" href="/devices">Back to the devices</a></p>',
        )

    async def show_program(self, request: Request) -> Response:
        """Pair a program, such as the house's stock system, and show its token this once."""
        refused = await self._passphrase_missing(request)
        if refused is not None:
            return refused
        form = await request.form()
        try:
            _, token = await run_in_threadpool(
                pair_device, self.record, name=str(form.get("name", "")), how="program"
            )
        except InputError as error:
            return await self._devices_page(request, wrong=error.reason)
        await run_in_threadpool(self.known.read)
        return _page(
            request,
            "The program's token",
            "<p>The program sends it with each request as the header <code>Authorization: Bearer …</code>. "
            f"It is shown this once.</p><p><code>{escape(token)}</code></p>"
            '<p><a class="btn" href="/devices">Back to the devices</a></p>',
        )

    async def unpair(self, request: Request) -> Response:
        """Shut a device out."""
        await run_in_threadpool(unpair_device, self.record, request.path_params["device_id"])
        await run_in_threadpool(self.known.read)
        return RedirectResponse("/devices", status_code=303)

    async def _paired(
        self, request: Request, typed: "_Typed", how: str, again: Callable[[str], str]
    ) -> Response:
        try:
            _, token = await run_in_threadpool(pair_device, self.record, name=typed.name, how=how)
        except InputError as error:
            return _page(request, "Pair this device", again(error.reason), status=422)
        await run_in_threadpool(self.known.read)
        response = RedirectResponse(_local(request.query_params.get("next", "/")), status_code=303)
        response.set_cookie(
            COOKIE,
            token,
            max_age=COOKIE_S,
            path="/",
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
        )
        return remember(response, typed.who)

    async def _passphrase_missing(self, request: Request) -> Response | None:
        form = await request.form()
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return _too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, str(form.get("passphrase", ""))):
            return await self._devices_page(request, wrong="This is not the house's passphrase.")
        self.tries.forgive(_address(request))
        return None

    async def _devices_page(self, request: Request, *, wrong: str = "") -> Response:
        known = await run_in_threadpool(devices, self.record)
        own = request.scope.get("state", {}).get("device")
        own_id = own.id if isinstance(own, Device) else ""
        return _page(
            request, "Paired devices", _devices_body(known, own_id, wrong), status=403 if wrong else 200
        )


class _Typed:
    """What a person typed at the door: what the device is called, and who they are."""

    def __init__(self, request: Request, form: Mapping[str, object] | None = None) -> None:
        self.name = str((form or {}).get("name", ""))
        self.who = str((form or {}).get("who", "")).strip()[:LONGEST_NAME] or person_of(request)


_CODE_GONE = (
    "<p>This code was used already, or its time is over. Have a paired device show a new one "
    '(House, then Devices), or pair by the passphrase.</p><p><a class="btn" href="/pair">'
    "Pair by the passphrase</a></p>"
)


def _page(request: Request, title: str, body: str, *, status: int = 200) -> Response:
    theme = "light" if request.cookies.get("shimwise_theme") == "light" else "dark"
    return HTMLResponse(
        page(title, body, theme=theme), status_code=status, headers={"cache-control": "no-store"}
    )


def _too_many(request: Request, wait_s: float) -> Response:
    wait = int(wait_s) + 1
    response = _page(
        request,
        "Too many tries",
        f"<p>Pairing was tried too often. It is taken again in {wait} s.</p>",
        status=429,
    )
    response.headers["retry-after"] = str(wait)
    return response


def _wrong(words: str) -> str:
    return f'<p class="wrong" role="alert">{escape(words)}</p>' if words else ""


def _name_fields(typed: _Typed) -> str:
    return (
        '<div class="field"><label for="name">What this device is called</label>'
        f'<input type="text" id="name" name="name" value="{escape(typed.name)}" maxlength="60" '
        'placeholder="bay 2 tablet" autocomplete="off"></div>'
        '<div class="field"><label for="who">Your name</label>'
        '<span class="hint" id="who-hint">Kept on this device, and beside all that you enter on it.</span>'
        f'<input type="text" id="who" name="who" value="{escape(typed.who)}" maxlength="{LONGEST_NAME}" '
        'autocomplete="name" aria-describedby="who-hint"></div>'
    )


def _passphrase_field(label: str, ident: str = "passphrase") -> str:
    return (
        f'<div class="field"><label for="{ident}">{label}</label>'
        f'<input type="password" id="{ident}" name="passphrase" required maxlength="200" '
        'autocomplete="current-password"></div>'
    )


def _passphrase_form(request: Request, typed: _Typed, wrong: str) -> str:
    wanted = quote(_local(request.query_params.get("next", "/")))
    return (
        "<p>These pages are seen by paired devices only. Type the house's passphrase, or scan a code that a "
        f'paired device shows.</p>{_wrong(wrong)}<form method="post" action="/pair?next={wanted}">'
        f"{_passphrase_field('Passphrase of the house')}{_name_fields(typed)}"
        '<div class="acts"><button class="btn btn-main" type="submit">Pair this device</button></div></form>'
    )


def _code_form(request: Request, typed: _Typed, wrong: str) -> str:
    action = escape(quote(request.url.path))
    return (
        f'{_wrong(wrong)}<form method="post" action="{action}">{_name_fields(typed)}'
        '<div class="acts"><button class="btn btn-main" type="submit">Pair this device</button></div></form>'
    )


def _devices_body(known: Sequence[Device], own_id: str, wrong: str) -> str:
    rows = "".join(
        f"<li><b>{number}. {escape(device.name)}</b>{' (this one)' if device.id == own_id else ''}"
        f'<p class="quiet">{_last_seen(device)}, paired {when(device.paired_at)} by {escape(device.how)}</p>'
        f'<form method="post" action="/devices/{escape(device.id)}/unpair">'
        f'<button class="btn" type="submit">Un-pair {escape(device.name)}</button></form></li>'
        for number, device in enumerate(known, 1)
    )
    listed = f"<ul>{rows}</ul>" if rows else "<p>No device is paired yet.</p>"
    return (
        f'<p><a class="btn" href="/">To the preps</a></p>{_wrong(wrong)}{listed}'
        '<h2>Pair one more</h2><form method="post" action="/devices/code">'
        f"{_passphrase_field('Passphrase of the house')}"
        '<div class="acts"><button class="btn btn-main" type="submit">Show a code</button></div></form>'
        '<h2>Pair a program</h2><form method="post" action="/devices/program">'
        '<div class="field"><label for="program">What the program is called</label>'
        '<input type="text" id="program" name="name" maxlength="60" placeholder="stock system"></div>'
        f"{_passphrase_field('Passphrase of the house', 'passphrase2')}"
        '<div class="acts"><button class="btn" type="submit">Make a token</button></div></form>'
    )


def _last_seen(device: Device) -> str:
    return "Not seen since" if device.seen_at is None else f"Last seen {when(device.seen_at)}"


def _is_open(path: str) -> bool:
    return path in OPEN_PAGES or path.startswith(OPEN_PATHS)


def _token(scope: "Scope") -> str | None:
    bearer = header(scope, "authorization")
    if bearer and bearer[:7].casefold() == "bearer ":
        return bearer[7:].strip()
    try:
        found = SimpleCookie(header(scope, "cookie") or "").get(COOKIE)
    except CookieError:
        return None
    return found.value if found else None


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _wanted(scope: "Scope") -> str:
    query = scope["query_string"].decode("latin-1")
    return f"{scope['path']}?{query}" if query else str(scope["path"])


def _local(path: str) -> str:
    """Give a path of these pages; one that would lead elsewhere becomes the first page."""
    parts = urlsplit(path)
    is_ours = (
        path.startswith("/") and not path.startswith(("//", "/\\")) and not (parts.scheme or parts.netloc)
    )
    return path if is_ours and "\\" not in path and path.isprintable() else "/"
