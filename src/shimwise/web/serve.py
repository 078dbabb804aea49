"""The pages as a running server: the application, its guards, live lines and pairing, on one socket."""

import asyncio
import contextlib
import errno
import os
import re
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from pathlib import Path
from types import FrameType

import uvicorn
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.types import ASGIApp

from shimwise.bench.access.pairing import make_code
from shimwise.bench.exchange.record_admin import CHANGED, MISSED, Record
from shimwise.bench.jobs.views import JobView
from shimwise.bench.meter.feed_message import MOST_BYTES
from shimwise.bench.prep.states import prep_version
from shimwise.bench.sign.verifier import Verifier
from shimwise.bench.this_machine import is_this_machine
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.errors import ShimwiseError
from shimwise.web.app import create_app
from shimwise.web.connections import SILENCE_S, Connections, limited, most_connections
from shimwise.web.feed_line import FeedLine
from shimwise.web.health import Health
from shimwise.web.live import HEARD_POLL_S, POLL_S, EventStream, Hub, LiveState
from shimwise.web.pairing import Devices, PairedOnly, pairing_routes
from shimwise.web.proxies import Proxies
from shimwise.web.quiet_log import quiet
from shimwise.web.request_log import RequestIds, logged
from shimwise.web.security import LOOPBACK_NAMES, SizeLimits, guarded

USUAL_PORT = 8052
SWEEP_BYTES = 4 * 1024**3
LIST_BYTES = 8 * 1024**2
SYNC_BYTES = 64 * 1024**2
LIMITS = SizeLimits(
    large=(
        (re.compile(r"^/(?:api/v1/)?preps/[^/]+/sweeps"), SWEEP_BYTES),
        (re.compile(r"(?:import|list|verify$)"), LIST_BYTES),
        (re.compile(r"^/api/v1/sync/(?:compare|preps)$"), SYNC_BYTES),
    )
)
"""Frames of a sweep are large; a house's list, a sheet or a prep from elsewhere is larger than a form."""
FIGURE, PROBLEM, FILMED = "figure", "problem", "filmed"
"""What servers send beside changes: a prep's live figure, its judge's problem, that it is filmed."""
STOPPING_S = 8
"""What is under way when the server is asked to stop is finished within this time, or given up. [s]"""
IDLE_S = 20
BACKLOG = 256
ANYWHERE = frozenset({"0.0.0.0", "::", ""})  # noqa: S104  # asked for by the one who starts it


class ServeError(ShimwiseError):
    """Raised when the pages cannot be served as asked: no such address, a port in use, no certificate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServeOptions:
    """Where the pages are served.

    ``port`` 0 takes any that is free. ``names``: further names that the pages answer to. ``certificate`` and
    ``key``: files for https; without them it is http. ``behind``: addresses of proxies that are believed.
    ``has_request_log``: whether each request is a line of the log. ``workers``: who judges, a process here by
    default.
    """

    host: str = "127.0.0.1"
    port: int = USUAL_PORT
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    behind: tuple[str, ...] = ()
    has_request_log: bool = False
    workers: str = ""

    @property
    def is_beyond(self) -> bool:
        """Whether others can reach the pages: from other machines, or through a proxy."""
        return bool(self.behind) or not all(map(is_this_machine, (self.host, *self.names)))

    @property
    def scheme(self) -> str:
        """``http`` or ``https``."""
        return "https" if self.certificate else "http"


class Pages:
    """The pages of one record, bound to their address; :meth:`run` serves them until it is asked to stop.

    Parameters
    ----------
    record : Record
        What is shown and kept.
    options : ServeOptions
        Where.

    Raises
    ------
    ServeError
        When the address cannot be taken, or the certificate does not hold.
    """

    def __init__(self, record: Record, options: ServeOptions) -> None:
        self.options, self.proxies = options, Proxies(options.behind)
        _refuse_bad_certificate(options)
        self.socket = _bound(options)
        self.port: int = self.socket.getsockname()[1]
        self.record = record
        self.hub = Hub(lambda prep_id: _looked(record, prep_id), spread=self._spread)
        self.feed = FeedLine(self.hub, spread=lambda prep_id: record.notify(FILMED, prep_id))
        self._unhear = record.hear(self._heard)
        self.judge = JudgeService(record, on_done=self._judged, workers=options.workers)
        self.app = self._guarded(record)
        self.server = _Server(
            uvicorn.Config(
                self.app,
                http=limited(Connections(most=most_connections(), proxies=self.proxies)),
                backlog=BACKLOG,
                ws="websockets-sansio",
                ws_max_size=2 * MOST_BYTES,  # what is larger than is taken is refused in words up to here
                ws_per_message_deflate=False,
                lifespan="on",
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,  # believed by the application, from the proxies that are named
                timeout_keep_alive=IDLE_S,
                timeout_graceful_shutdown=STOPPING_S,
                ssl_certfile=options.certificate,
                ssl_keyfile=options.key,
            ),
            self.hub,
        )

    @property
    def address(self) -> str:
        """The address to open on this machine, or on others where they can reach it."""
        host = own_address() if self.options.host in ANYWHERE else self.options.host
        return f"{self.options.scheme}://{f'[{host}]' if ':' in host else host}:{self.port}/"

    def pairing_address(self) -> str:
        """Return the address by which one device is paired, good for a few minutes."""
        name = next((one for one in self.options.names if not is_this_machine(one)), "")
        outer = f"https://{name}/" if self.proxies and name else self.address
        return f"{outer}pair/{make_code(self.record)}"

    def run(self) -> None:
        """Serve until Ctrl-C, SIGTERM or :meth:`stop`; what is under way is finished."""
        threading.Thread(target=self.record.open_connections, name="connections", daemon=True).start()
        try:
            with (
                quiet(),
                logged(has_requests=self.options.has_request_log),
                contextlib.suppress(KeyboardInterrupt),
            ):
                self.server.run(sockets=[self.socket])
        finally:
            self.close()

    def stop(self) -> None:
        """Ask :meth:`run` to end; from any thread."""
        self.hub.close()
        self.server.should_exit = True

    def close(self) -> None:
        """Release the address and end the judge."""
        self._unhear()
        self.hub.close()
        self.judge.stop()
        self.socket.close()

    def _judged(self, job: JobView) -> None:
        if job.prep_id:
            self.hub.notify(job.prep_id, problem=job.problem)
            if job.problem:
                self.record.notify(PROBLEM, f"{job.prep_id} {job.problem}")

    def _spread(self, prep_id: str, figure: str) -> None:
        self.record.notify(FIGURE, f"{prep_id} {figure}")

    def _heard(self, topic: str, payload: str) -> None:
        """Forward notices of the record's changes to the connected devices."""
        if topic == MISSED:
            self.hub.poll_s = HEARD_POLL_S if self.record.is_hearing else POLL_S
        if topic in {MISSED, CHANGED}:
            self.hub.notify(payload or None)
        prep_id, _, rest = payload.partition(" ")
        if topic == FIGURE:
            self.hub.show_heard(prep_id, rest)
        elif topic == PROBLEM:
            self.hub.notify(prep_id, problem=rest)
        elif topic == FILMED:
            self.feed.taken_elsewhere(prep_id)

    def _guarded(self, record: Record) -> ASGIApp:
        app = create_app(record, judge=self.judge, verifier=Verifier())
        known = Devices(record)
        own: list[BaseRoute] = [
            Route("/live/preps/{prep_id}", EventStream(self.hub), methods=["GET"]),
            WebSocketRoute("/live/preps/{prep_id}/feed", self.feed),
            Route("/worker.js", _worker),
        ]
        if self.options.is_beyond:
            own += pairing_routes(record, known=known)
        app.state.has_devices = self.options.is_beyond
        app.router.routes[:0] = own
        inside = guarded(
            app,
            names=tuple(_names(self.options)),
            limits=LIMITS,
            inner=(lambda inner: PairedOnly(inner, known)) if self.options.is_beyond else None,
        )
        health = Health(
            self.proxies.believed(inside), prove=record.prove, is_stopping=lambda: self.hub.is_closed
        )
        return RequestIds(health, proxies=self.proxies)


class _Server(uvicorn.Server):
    """Ends the live lines when it is asked to stop, else it would wait for them."""

    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self.hub = hub

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Take connections; who does not finish the handshake of https in time is cut off."""
        loop = asyncio.get_running_loop()
        if self.config.is_ssl:
            made = partial(loop.create_server, ssl_handshake_timeout=SILENCE_S)
            loop.create_server = made  # type: ignore[method-assign]  # the server gives no such option
        await super().startup(sockets)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.hub.close()
        super().handle_exit(sig, frame)


def own_address() -> str:
    """Return the address by which others in the network reach this machine; nothing is sent for it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            # An address kept for documents (RFC 5737): only the route is looked up.
            asked.connect(("192.0.2.1", 9))
        except OSError:
            return "127.0.0.1"
        return str(asked.getsockname()[0])


def _looked(record: Record, prep_id: str) -> LiveState | None:
    found = prep_version(record, prep_id)
    return None if found is None else LiveState(revision=found.revision, verdict=found.verdict_id)


def _names(options: ServeOptions) -> Iterator[str]:
    yield from LOOPBACK_NAMES
    yield from options.names
    if options.is_beyond:
        own = socket.gethostname()
        yield from (own, f"{own.split('.')[0]}.local")
        if options.host not in ANYWHERE:
            yield options.host


def _refuse_bad_certificate(options: ServeOptions) -> None:
    if options.certificate is None:
        return
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(options.certificate, options.key)
    except OSError as error:  # ssl.SSLError is one
        raise ServeError(
            f"{options.certificate} and its key {options.key} cannot be used for https "
            f"({error.strerror or error}). Give both as PEM files that belong together."
        ) from error


def _bound(options: ServeOptions) -> socket.socket:
    family = socket.AF_INET6 if ":" in options.host else socket.AF_INET
    # The protocol is named: only then answers are sent at once and not held back for 40 ms (TCP_NODELAY).
    taken = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if os.name == "posix":
            taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        taken.bind((options.host, options.port))
        taken.listen(BACKLOG)
    except (OSError, UnicodeError) as error:  # UnicodeError: a name that no address can have
        taken.close()
        number = error.errno if isinstance(error, OSError) else None
        if number == errno.EADDRINUSE:
            reason = (
                f"Port {options.port} is in use: perhaps the pages are served already. Open them there, or "
                "choose another with --port, 0 for any."
            )
        elif number == errno.EACCES:
            reason = f"Port {options.port} may not be taken by you. Choose one above 1023 with --port."
        else:
            why = os.strerror(number) if number and number > 0 else str(error)
            reason = (
                f"The address {options.host} cannot be served: {why}. Give one of this machine with --host."
            )
        raise ServeError(reason) from error
    return taken


async def _worker(_: Request) -> Response:
    """Return the worker that keeps pages for when the server is away; it works for all pages."""
    script = files("shimwise.web").joinpath("static", "worker.js").read_bytes()
    headers = {"service-worker-allowed": "/", "cache-control": "no-cache"}
    return Response(script, media_type="text/javascript", headers=headers)
