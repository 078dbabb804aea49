"""Connections that say nothing keep no page from others, and what is said over and over is said seldom."""

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from typing import ClassVar, Literal

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from shimwise.web import connections
from shimwise.web.connections import Connections, LimitedProtocol, limited, most_connections
from shimwise.web.quiet_log import Seldom, quiet

GET = b"GET / HTTP/1.1\r\nhost: here\r\n\r\n"
POST = b"POST / HTTP/1.1\r\nhost: here\r\ncontent-length: 1000\r\n\r\n"


class Bench:
    """A server within this loop, and what its application saw."""

    def __init__(self, known: Connections) -> None:
        self.known, self.port = known, 0
        self.broken_off: list[str] = []
        self.held = asyncio.Event()
        self.writers: list[asyncio.StreamWriter] = []

    async def answer(self, request: Request) -> Response:
        if request.url.path == "/held":
            await self.held.wait()
        try:
            await request.body()
        except ClientDisconnect:
            self.broken_off.append(request.url.path)
        return PlainTextResponse("here")

    async def opened(self, said: bytes = b"") -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(said)
        self.writers.append(writer)
        return reader, writer

    async def end(self) -> None:
        """Close what is open on both sides."""
        self.held.set()
        for writer in self.writers:
            writer.close()
            with suppress(ConnectionError):
                await writer.wait_closed()
        await until(lambda: not len(self.known))
        await asyncio.sleep(0.01)

    async def got(self, said: bytes = GET) -> bytes:
        """Say something on a new connection, and return all that comes until it is ended."""
        reader, _ = await self.opened(said)
        with suppress(ConnectionError):
            return await reader.read()
        return b""


@asynccontextmanager
async def serving(
    known: Connections, *, silence_s: float = 60.0, ws: type[asyncio.Protocol] | Literal["none"] = "none"
) -> AsyncIterator[Bench]:
    bench = Bench(known)
    protocol: type[LimitedProtocol] = type("Quick", (limited(known),), {"silence_s": silence_s})
    app = Starlette(routes=[Route("/{path:path}", bench.answer, methods=["GET", "POST"])])
    config = uvicorn.Config(app, http=protocol, ws=ws, log_config=None, access_log=False, lifespan="off")
    config.load()
    state = uvicorn.server.ServerState()
    loop = asyncio.get_running_loop()
    server = await loop.create_server(
        lambda: protocol(config=config, server_state=state, app_state={}), "127.0.0.1", 0
    )
    bench.port = server.sockets[0].getsockname()[1]
    try:
        yield bench
    finally:
        await bench.end()
        server.close()
        await server.wait_closed()


def in_time(work: Callable[[], Awaitable[None]]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(20):
            await work()

    asyncio.run(bounded())


async def until(holds: Callable[[], bool]) -> None:
    while not holds():
        await asyncio.sleep(0.005)


@pytest.mark.parametrize("said", [b"", b"GET / HTTP/1.1\r\nhost: he"], ids=["nothing", "half a head"])
def test_who_says_nothing_is_cut_off(said: bytes) -> None:
    async def work() -> None:
        async with serving(Connections(), silence_s=0.05) as bench:
            assert await bench.got(said) == b""
            assert not len(bench.known)

    in_time(work)


def test_a_body_that_stays_away_is_cut_off_with_a_word() -> None:
    async def work() -> None:
        async with serving(Connections(), silence_s=0.05) as bench:
            assert (await bench.got(POST + b"x")).startswith(b"HTTP/1.1 408 ")
            await until(lambda: bench.broken_off == ["/"])

    in_time(work)


def test_a_byte_now_and_then_is_silence() -> None:
    async def work() -> None:
        async with serving(Connections(), silence_s=0.2) as bench:
            reader, writer = await bench.opened(POST)
            while not reader.at_eof():
                writer.write(b"x")
                with suppress(TimeoutError):
                    async with asyncio.timeout(0.02):
                        assert (await reader.read(12)) in (b"HTTP/1.1 408", b"")
                        break

    in_time(work)


def test_a_body_that_comes_slowly_and_an_answer_that_takes_long_are_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(connections, "LEAST_BYTES", 1)

    async def work() -> None:
        async with serving(Connections(), silence_s=0.1) as bench:
            slow, sending = await bench.opened(POST)
            waiting, _ = await bench.opened(GET.replace(b"/ ", b"/held "))
            for _ in range(20):
                sending.write(b"x" * 50)
                await asyncio.sleep(0.02)
            assert (await slow.readline()).startswith(b"HTTP/1.1 200 ")
            bench.held.set()
            assert (await waiting.readline()).startswith(b"HTTP/1.1 200 ")

    in_time(work)


def test_beyond_the_cap_the_one_that_rests_for_longest_makes_room() -> None:
    async def work() -> None:
        async with serving(Connections(most=3)) as bench:
            first, _ = await bench.opened()
            await until(lambda: len(bench.known) == 1)
            second, _ = await bench.opened(GET.replace(b"/ ", b"/held "))
            third, _ = await bench.opened()
            await until(lambda: len(bench.known) == 3)
            for _ in range(5):
                await bench.opened(GET)
            with suppress(ConnectionError):
                assert await first.read() == b""  # made room, as those after it
            with suppress(ConnectionError):
                assert await third.read() == b""
            bench.held.set()
            assert (await second.readline()).startswith(b"HTTP/1.1 200 ")  # busy: it stays

    in_time(work)


def test_where_all_are_busy_a_new_one_is_refused() -> None:
    async def work() -> None:
        async with serving(Connections(most=2)) as bench:
            held = [await bench.opened(GET.replace(b"/ ", b"/held ")) for _ in range(2)]
            await until(lambda: len(bench.known) == 2 and not any(bench.known._idle.values()))
            assert await bench.got() == b""
            bench.held.set()
            for reader, _ in held:
                assert (await reader.readline()).startswith(b"HTTP/1.1 200 ")

    in_time(work)


class Wire(asyncio.Transport):
    """A connection from an address."""

    def __init__(self, address: str) -> None:
        super().__init__({"peername": (address, 40000)})
        self.is_ended = False

    def abort(self) -> None:
        self.is_ended = True


def test_one_address_has_its_own_cap_and_a_crowded_one_makes_room_for_others() -> None:
    known = Connections(most=6, most_of_one=3)
    crowd = [Wire("192.0.2.7") for _ in range(5)]
    assert all(known.admit(wire) for wire in crowd)
    assert [wire.is_ended for wire in crowd] == [True, True, False, False, False]
    near = [Wire("127.0.0.1") for _ in range(3)]  # a proxy, before any number of devices
    assert all(known.admit(wire) for wire in near)
    other = Wire("192.0.2.8")
    assert known.admit(other)
    assert crowd[2].is_ended
    for wire in (*crowd, *near):
        known.work(wire)
    known.work(other)
    assert not known.admit(Wire("192.0.2.9"))
    known.rest(near[1])
    assert known.admit(Wire("192.0.2.9"))
    assert near[1].is_ended
    assert len(known) == 6


def test_a_connection_that_becomes_a_web_socket_counts_until_it_ends() -> None:
    class Socket(asyncio.Protocol):
        ended: ClassVar[list[Exception | None]] = []

        def __init__(self, **_: object) -> None:
            self.transport: asyncio.Transport | None = None

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            assert isinstance(transport, asyncio.Transport)
            self.transport = transport

        def connection_lost(self, exc: Exception | None) -> None:
            self.ended.append(exc)

        def data_received(self, data: bytes) -> None:
            assert self.transport is not None
            self.transport.write(b"HTTP/1.1 101 Switching Protocols\r\n\r\n")

    asks = b"GET / HTTP/1.1\r\nhost: here\r\nconnection: upgrade\r\nupgrade: websocket\r\n\r\n"

    async def work() -> None:
        async with serving(Connections(most=1), silence_s=0.05, ws=Socket) as bench:
            reader, writer = await bench.opened(asks)
            assert (await reader.readline()).startswith(b"HTTP/1.1 101 ")
            await asyncio.sleep(0.12)  # it has limits of its own: not those of a request
            assert len(bench.known) == 1
            assert not bench.known.admit(Wire("192.0.2.9"))
            writer.close()
            await until(lambda: not len(bench.known))
            assert Socket.ended == [None]

    in_time(work)


def test_more_open_files_are_allowed_where_the_system_lets_it(monkeypatch: pytest.MonkeyPatch) -> None:
    resource = pytest.importorskip("resource")
    set_to: list[tuple[int, int]] = []
    monkeypatch.setattr(resource, "getrlimit", lambda _: (256, 1_000_000))
    monkeypatch.setattr(resource, "setrlimit", lambda _, both: set_to.append(both))
    assert most_connections() == connections.MOST
    assert set_to == [(connections.WANTED_FILES, 1_000_000)]

    def refused(*_: object) -> None:
        raise ValueError("not allowed to raise maximum limit")

    monkeypatch.setattr(resource, "setrlimit", refused)
    assert most_connections() == 256 - connections.KEPT_FILES
    monkeypatch.delattr(resource, "getrlimit")  # as where a system has no such call
    assert most_connections() == connections.MOST


def record_of(text: str, *values: object, error: Exception | None = None) -> logging.LogRecord:
    info = None if error is None else (type(error), error, error.__traceback__)
    return logging.LogRecord("uvicorn.error", logging.WARNING, "", 1, text, values, info)


def test_the_same_is_said_once_a_minute_with_how_often_it_happened() -> None:
    now_s = 0.0
    seldom = Seldom(clock=lambda: now_s)
    assert [seldom.filter(record_of("%d refused", count)) for count in range(1000)] == [True] + [False] * 999
    assert seldom.filter(record_of("something else"))
    now_s = 61.0
    again = record_of("%d refused", 7)
    assert seldom.filter(again)
    assert again.getMessage() == "7 refused (999 more like it before)"


def raised(*, divide: bool) -> Exception:
    try:
        _ = 1 // 0 if divide else {}["key"]
    except (ZeroDivisionError, KeyError) as error:
        return error
    raise AssertionError


def test_faults_of_different_places_are_each_said() -> None:
    seldom = Seldom(clock=lambda: 0.0)
    one, other = raised(divide=True), raised(divide=False)
    assert [seldom.filter(record_of("a fault", error=error)) for error in (one, other, one)] == [
        True,
        True,
        False,
    ]


def test_a_server_out_of_files_says_one_line(caplog: pytest.LogCaptureFixture) -> None:
    # Found: 196 MB of log in half a minute, each line with the library's own code.
    logger = logging.getLogger("asyncio")
    with quiet():
        for _ in range(500):
            error = OSError(24, "Too many open files")
            logger.error("socket.accept() out of system resource\nsocket: %s", socket, exc_info=error)
    (said,) = [record for record in caplog.records if record.name == "asyncio"]
    assert said.getMessage() == "socket.accept() out of system resource: Too many open files"
    assert said.exc_info is None
    assert not logger.filters
