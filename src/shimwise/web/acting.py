"""Who acts by a request: the person signed in on the device, a program by its token, or a plain name.

A request costs one look-up of one row, which holds when the session was last used, on whichever server.
"""

import time
from collections.abc import Callable

from starlette.requests import Request
from starlette.responses import Response

from shimwise.bench.access import accounts
from shimwise.bench.access.accounts import SIGNED_IN, actor_of_token, has_keeper
from shimwise.bench.access.acting import Actor, Door
from shimwise.bench.access.pairing import Device
from shimwise.bench.exchange.record_admin import Record
from shimwise.web.refusal import bearer_token, cookie, keep_secret

COOKIE = "shimwise_session"
LOOKED_S = 2.0
"""How often a house without a keeper is asked whether it has one now; the bench asks at each change. [s]"""


class Presence:
    """Whether the house has a keeper, for a house without one as it was a moment ago."""

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self._believing: tuple[Record, float] | None = None

    def has_keeper(self, record: Record) -> bool:
        """Return whether the house has a keeper, as it was :data:`LOOKED_S` ago at most where it had none."""
        now_s, before = self.clock(), self._believing
        if before is not None and before[0] is record and now_s - before[1] < LOOKED_S:
            return False
        found = has_keeper(record)
        self._believing = None if found else (record, now_s)
        return found


def actor_of(request: Request, door: Door) -> Actor | None:
    """Return who acts by a request; None where the house has no keeper, and a name that is typed counts."""
    state = request.state
    if not hasattr(state, "actor"):
        state.actor = _found(request, door)
    found: Actor | None = state.actor
    return found


def prove_again(request: Request, pin: str) -> None:
    """Take a PIN that was typed again on an idle device, for this request and those after it.

    Raises
    ------
    PinWrong, TooManyTries
        As :func:`shimwise.bench.access.accounts.sign_in`.
    """
    from dataclasses import replace

    actor: Actor | None = request.state.actor
    if actor is None or not actor.is_person or actor.is_fresh:
        return
    token, device = token_of(request), place_of(request)
    accounts.prove_again(_record(request), token, actor.person_id, pin=pin, device=device)
    request.state.actor = replace(actor, is_fresh=True)


def keep_session(request: Request, response: Response, token: str) -> None:
    """Put the token of who signed in just now into the device's cookie."""
    keep_secret(request, response, COOKIE, token, lasts=SIGNED_IN)


def presence_of(request: Request) -> Presence:
    """Return what this process knows of the house."""
    presence: Presence = request.app.state.presence
    return presence


def device_of(request: Request) -> str:
    """Return the id of the paired device that asks; empty where none is paired."""
    device = request.scope.get("state", {}).get("device")
    return device.id if isinstance(device, Device) and not device.is_program else ""


def place_of(request: Request) -> str:
    """Return by what guesses are counted: the device, else the address."""
    return device_of(request) or (request.client.host if request.client else "")


def token_of(request: Request) -> str:
    """Return the token of the person who is signed in, else that of a program; empty without either."""
    return cookie(request.scope, COOKIE) or bearer_token(request.scope)


def _found(request: Request, door: Door) -> Actor | None:
    record, token = _record(request), token_of(request)
    if token:
        actor = actor_of_token(
            record, token, door=door, device_id=device_of(request), is_use=_is_use(request)
        )
        if actor is not None:
            return actor
    return Actor(name="", role=None, door=door) if presence_of(request).has_keeper(record) else None


def _is_use(request: Request) -> bool:
    """Return whether a person did something: what a page asks by itself is no use of the device."""
    return request.method not in {"GET", "HEAD"} or "hx-request" not in request.headers


def _record(request: Request) -> Record:
    record: Record = request.app.state.record
    return record
