"""The door: the addresses at which devices are paired and un-paired, and what is done there."""

from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shimwise.bench.access.pairing import Device, devices, is_passphrase, pair_device, unpair_device
from shimwise.bench.errors import InputError
from shimwise.bench.typed_names import optional_name
from shimwise.web.pages.deps import remember
from shimwise.web.pairing.codes import CODE_S, Codes, Tries
from shimwise.web.pairing.forms import (
    CODE_GONE,
    Typed,
    code_form,
    devices_body,
    door_page,
    passphrase_form,
    qr_svg,
    too_many,
)
from shimwise.web.pairing.guard import COOKIE, Devices
from shimwise.web.security import own_path

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record

__all__ = ["pairing_routes"]

COOKIE_S = 90 * 24 * 3600


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


class _Door:
    """The handlers, with what they share."""

    def __init__(self, record: "Record", known: Devices, codes: Codes, tries: Tries) -> None:
        self.record, self.known, self.codes, self.tries = record, known, codes, tries

    async def by_passphrase(self, request: Request) -> Response:
        """Pair a device by the house's passphrase."""
        if request.method == "GET":
            return door_page(request, "Pair this device", passphrase_form(request, Typed(request), ""))
        form = await request.form()
        typed, passphrase = Typed(request, form), str(form.get("passphrase", ""))
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, passphrase):
            words = "This is not the house's passphrase. Nothing else was wrong; type it again."
            return door_page(request, "Pair this device", passphrase_form(request, typed, words), status=403)
        self.tries.forgive(_address(request))
        return await self._paired(
            request, typed, "passphrase", lambda why: passphrase_form(request, typed, why)
        )

    async def by_code(self, request: Request) -> Response:
        """Pair a device by a code: asked first, so that a look at the link uses nothing up."""
        code = request.path_params["code"]
        if request.method == "GET":
            if not self.codes.is_good(code):
                return door_page(request, "Code no longer good", CODE_GONE, status=410)
            return door_page(request, "Pair this device", code_form(request, Typed(request), ""))
        typed = Typed(request, await request.form())
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        try:
            optional_name(typed.name, field="name")  # before the code is used up
        except InputError as error:
            return door_page(request, "Pair this device", code_form(request, typed, error.reason), status=422)
        if not self.codes.take(code):
            return door_page(request, "Code no longer good", CODE_GONE, status=410)
        self.tries.forgive(_address(request))
        return await self._paired(request, typed, "code", lambda why: passphrase_form(request, typed, why))

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
        return door_page(
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
        return door_page(
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
        self, request: Request, typed: Typed, how: str, again: Callable[[str], str]
    ) -> Response:
        try:
            _, token = await run_in_threadpool(pair_device, self.record, name=typed.name, how=how)
        except InputError as error:
            return door_page(request, "Pair this device", again(error.reason), status=422)
        await run_in_threadpool(self.known.read)
        response = RedirectResponse(own_path(request.query_params.get("next", "/")), status_code=303)
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
            return too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, str(form.get("passphrase", ""))):
            return await self._devices_page(request, wrong="This is not the house's passphrase.")
        self.tries.forgive(_address(request))
        return None

    async def _devices_page(self, request: Request, *, wrong: str = "") -> Response:
        known = await run_in_threadpool(devices, self.record)
        own = request.scope.get("state", {}).get("device")
        own_id = own.id if isinstance(own, Device) else ""
        return door_page(
            request, "Paired devices", devices_body(known, own_id, wrong), status=403 if wrong else 200
        )


def _address(request: Request) -> str:
    return request.client.host if request.client else ""
