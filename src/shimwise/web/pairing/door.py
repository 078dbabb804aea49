"""The door: the addresses at which devices are paired and un-paired."""

from collections.abc import Awaitable, Callable, Sequence

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
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
        Route("/pair", _with_form(door.by_passphrase), methods=["GET", "POST"]),
        Route("/pair/{code}", _with_form(door.by_code), methods=["GET", "POST"]),
        Route("/devices", door.list, methods=["GET"]),
        Route("/devices/code", _with_form(door.show_code), methods=["POST"]),
        Route("/devices/program", _with_form(door.show_program), methods=["POST"]),
        Route("/devices/{device_id}/unpair", door.unpair, methods=["POST"]),
    )


def _with_form(
    handler: Callable[[Request, FormData], Response],
) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint that reads the form, empty for a GET, and asks the handler in a worker thread."""

    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(handler, request, await request.form())

    return endpoint


class _Door:
    """The handlers, with what they share."""

    def __init__(self, record: Record, known: Devices, tries: Tries) -> None:
        self.record, self.known, self.tries = record, known, tries

    def by_passphrase(self, request: Request, form: FormData) -> Response:
        """Pair a device by the house's passphrase."""
        typed = Typed.of(request, form)
        if request.method == "GET":
            return pair_page(request, typed, by_code=False)
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        if not is_passphrase(self.record, str(form.get("passphrase", ""))):
            wrong = "This is not the house's passphrase. Nothing else was wrong; type it again."
            return pair_page(request, typed, by_code=False, wrong=wrong, status=403)
        self.tries.forgive(_address(request))
        return self._paired(request, typed, "passphrase")

    def by_code(self, request: Request, form: FormData) -> Response:
        """Pair a device by a code: asked first, so that a look at the link uses nothing up.

        Tries are not counted: a code is drawn at random from 2 to the power of 192, and good for minutes.
        """
        code = request.path_params["code"]
        typed = Typed.of(request, form)
        if request.method == "GET":
            return pair_page(request, typed, by_code=True) if is_code(self.record, code) else _gone(request)
        try:
            optional_name(typed.name, field="name")  # before the code is used up
        except InputError as error:
            return pair_page(request, typed, by_code=True, wrong=error.reason, status=422)
        if not take_code(self.record, code):
            return _gone(request)
        return self._paired(request, typed, "code")

    def list(self, request: Request) -> Response:
        """Show the devices that are paired."""
        self.known.read()
        return self._devices_page(request)

    def show_code(self, request: Request, form: FormData) -> Response:
        """Show a code by which one more device is paired."""
        refused = self._not_permitted(request, Act.PAIR) or self._passphrase_missing(request, form)
        if refused is not None:
            return refused
        code = make_code(self.record)
        address = f"{request.url.scheme}://{request.headers['host']}/pair/{code}"
        return door_page(
            request,
            "code",
            "Scan to pair a device",
            minutes=CODE_MINUTES,
            drawn=qr_svg(address),
            address=address,
        )

    def show_program(self, request: Request, form: FormData) -> Response:
        """Pair a program, such as the house's stock system, and show its token this once."""
        refused = self._not_permitted(request, Act.DEVICES) or self._passphrase_missing(request, form)
        if refused is not None:
            return refused
        role, who = str(form.get("role", Role.READER)), _actor(request) or HOUSE
        try:
            _, token = make_program(self.record, name=str(form.get("name", "")), role=role, who=who)
        except InputError as error:
            return self._devices_page(request, wrong=error.sentence)
        self.known.read()
        return door_page(request, "token", "The program's token", token=token)

    def unpair(self, request: Request) -> Response:
        """Shut a device out."""
        device_id, who = request.path_params["device_id"], _actor(request) or HOUSE
        is_own = device_id == _own_id(request)
        try:
            unpair_device(self.record, device_id, who=who, is_own=is_own)
        except ShimwiseError as error:
            return self._devices_page(request, wrong=str(error), status=status_of(error))
        self.known.read()
        return RedirectResponse("/devices", status_code=303)

    def _paired(self, request: Request, typed: Typed, how: str) -> Response:
        try:
            _, token = pair_device(self.record, name=typed.name, how=how)
        except InputError as error:
            return pair_page(request, typed, by_code=False, wrong=error.reason, status=422)
        self.known.read()
        response = RedirectResponse(own_path(request.query_params.get("next", "/")), status_code=303)
        keep_secret(request, response, COOKIE, token, lasts=DEVICE_LASTS)
        return remember(response, typed.who)

    def _not_permitted(self, request: Request, act: Act) -> Response | None:
        """Return the refusal of who may not do it; None where they may, or names are believed."""
        actor = _actor(request)
        try:
            if actor is not None:
                permitted(actor, act)
        except ShimwiseError as error:
            return self._devices_page(request, wrong=str(error), status=status_of(error))
        return None

    def _passphrase_missing(self, request: Request, form: FormData) -> Response | None:
        wait_s = self.tries.wait_s(_address(request))
        if wait_s:
            return too_many(request, wait_s)
        if not is_passphrase(self.record, str(form.get("passphrase", ""))):
            return self._devices_page(request, wrong="This is not the house's passphrase.")
        self.tries.forgive(_address(request))
        return None

    def _devices_page(self, request: Request, *, wrong: str = "", status: int = 403) -> Response:
        actor = _actor(request)
        return door_page(
            request,
            "devices",
            "Paired devices",
            status=status if wrong else 200,
            devices=devices(self.record),
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


def _actor(request: Request) -> Actor | None:
    return actor_of(request, Door.PAGE)


def _address(request: Request) -> str:
    return request.client.host if request.client else ""
