"""The door: the addresses at which devices are paired and un-paired."""

from collections.abc import Sequence

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from shimwise.bench.access.acting import HOUSE, Actor, Door, permitted
from shimwise.bench.access.pairing import (
    CODE_MINUTES,
    DEVICE_LASTS,
    Device,
    devices,
    is_code,
    is_passphrase,
    make_code,
    make_program,
    pair_device,
    take_code,
    unpair_device,
)
from shimwise.bench.access.roles import Act, Role
from shimwise.bench.errors import InputError
from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.typed_names import optional_name
from shimwise.errors import ShimwiseError
from shimwise.web.acting import actor_of
from shimwise.web.pages.deps import remember
from shimwise.web.pairing.forms import Typed, door_page, pair_page, qr_svg, too_many
from shimwise.web.pairing.guard import COOKIE, Devices
from shimwise.web.pairing.tries import Tries
from shimwise.web.problems import status_of
from shimwise.web.refusal import keep_secret
from shimwise.web.security import own_path


def pairing_routes(record: Record, *, known: Devices, tries: Tries | None = None) -> Sequence[Route]:
    """Return the routes by which devices are paired and un-paired: below ``/pair`` and ``/devices``."""
    door = _Door(record, known, tries or Tries())
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

    def __init__(self, record: Record, known: Devices, tries: Tries) -> None:
        self.record, self.known, self.tries = record, known, tries

    async def by_passphrase(self, request: Request) -> Response:
        """Pair a device by the house's passphrase."""
        form = await request.form()  # empty for a GET
        typed = Typed.of(request, form)
        if request.method == "GET":
            return pair_page(request, typed, by_code=False)
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, str(form.get("passphrase", ""))):
            wrong = "This is not the house's passphrase. Nothing else was wrong; type it again."
            return pair_page(request, typed, by_code=False, wrong=wrong, status=403)
        self.tries.forgive(_address(request))
        return await self._paired(request, typed, "passphrase")

    async def by_code(self, request: Request) -> Response:
        """Pair a device by a code: asked first, so that a look at the link uses nothing up.

        Tries are not counted: a code is drawn at random from 2 to the power of 192, and good for minutes.
        """
        code = request.path_params["code"]
        typed = Typed.of(request, await request.form())
        if request.method == "GET":
            is_good = await run_in_threadpool(is_code, self.record, code)
            return pair_page(request, typed, by_code=True) if is_good else _gone(request)
        try:
            optional_name(typed.name, field="name")  # before the code is used up
        except InputError as error:
            return pair_page(request, typed, by_code=True, wrong=error.reason, status=422)
        if not await run_in_threadpool(take_code, self.record, code):
            return _gone(request)
        return await self._paired(request, typed, "code")

    async def list(self, request: Request) -> Response:
        """Show the devices that are paired."""
        await run_in_threadpool(self.known.read)
        return await self._devices_page(request)

    async def show_code(self, request: Request) -> Response:
        """Show a code by which one more device is paired."""
        refused = await self._not_permitted(request, Act.PAIR) or await self._passphrase_missing(request)
        if refused is not None:
            return refused
        code = await run_in_threadpool(make_code, self.record)
        address = f"{request.url.scheme}://{request.headers['host']}/pair/{code}"
        return door_page(
            request,
            "code",
            "Scan to pair a device",
            minutes=CODE_MINUTES,
            drawn=qr_svg(address),
            address=address,
        )

    async def show_program(self, request: Request) -> Response:
        """Pair a program, such as the house's stock system, and show its token this once."""
        refused = await self._not_permitted(request, Act.DEVICES) or await self._passphrase_missing(request)
        if refused is not None:
            return refused
        form = await request.form()
        role, who = str(form.get("role", Role.READER)), await _actor(request) or HOUSE
        try:
            _, token = await run_in_threadpool(
                make_program, self.record, name=str(form.get("name", "")), role=role, who=who
            )
        except InputError as error:
            return await self._devices_page(request, wrong=error.sentence)
        await run_in_threadpool(self.known.read)
        return door_page(request, "token", "The program's token", token=token)

    async def unpair(self, request: Request) -> Response:
        """Shut a device out."""
        device_id, who = request.path_params["device_id"], await _actor(request) or HOUSE
        is_own = device_id == _own_id(request)
        try:
            await run_in_threadpool(unpair_device, self.record, device_id, who=who, is_own=is_own)
        except ShimwiseError as error:
            return await self._devices_page(request, wrong=str(error), status=status_of(error))
        await run_in_threadpool(self.known.read)
        return RedirectResponse("/devices", status_code=303)

    async def _paired(self, request: Request, typed: Typed, how: str) -> Response:
        try:
            _, token = await run_in_threadpool(pair_device, self.record, name=typed.name, how=how)
        except InputError as error:
            return pair_page(request, typed, by_code=False, wrong=error.reason, status=422)
        await run_in_threadpool(self.known.read)
        response = RedirectResponse(own_path(request.query_params.get("next", "/")), status_code=303)
        keep_secret(request, response, COOKIE, token, lasts=DEVICE_LASTS)
        return remember(response, typed.who)

    async def _not_permitted(self, request: Request, act: Act) -> Response | None:
        """Return the refusal of who may not do it; None where they may, or names are believed."""
        actor = await _actor(request)
        try:
            if actor is not None:
                permitted(actor, act)
        except ShimwiseError as error:
            return await self._devices_page(request, wrong=str(error), status=status_of(error))
        return None

    async def _passphrase_missing(self, request: Request) -> Response | None:
        form = await request.form()
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        if not await run_in_threadpool(is_passphrase, self.record, str(form.get("passphrase", ""))):
            return await self._devices_page(request, wrong="This is not the house's passphrase.")
        self.tries.forgive(_address(request))
        return None

    async def _devices_page(self, request: Request, *, wrong: str = "", status: int = 403) -> Response:
        known = await run_in_threadpool(devices, self.record)
        actor = await _actor(request)
        return door_page(
            request,
            "devices",
            "Paired devices",
            status=status if wrong else 200,
            devices=known,
            own_id=_own_id(request),
            may_end=actor is None or actor.role is Role.KEEPER,
            roles=tuple(Role),
            wrong=wrong,
        )


def _gone(request: Request) -> Response:
    return door_page(request, "code_gone", "Code no longer good", status=410)


def _own_id(request: Request) -> str:
    own = request.scope.get("state", {}).get("device")
    return own.id if isinstance(own, Device) else ""


async def _actor(request: Request) -> Actor | None:
    return await run_in_threadpool(actor_of, request, Door.PAGE)


def _address(request: Request) -> str:
    return request.client.host if request.client else ""
