"""How many connections are held at once, how long a silent one is kept, and what makes room for a new one.

Nobody who opens connections and sends nothing keeps a page from others: beyond the caps the connection that
has waited longest between requests makes room, and a new one is refused only where all are busy.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Container
from contextlib import suppress

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from shimwise.web.security import ip_address_of

SILENCE_S = 10.0
"""Who sends nothing for so long within a request, or before the first, is cut off. [s]"""
LEAST_BYTES = 1024
"""Fewer in that time count as silence while a body is on its way: a byte now and then holds no place."""
MOST = 400
"""Connections in all. Live lines, of which there are fewer, leave room for pages."""
MOST_OF_ONE = 100
"""Connections of one address beyond this machine: a cart of tablets behind one access point has fewer."""
KEPT_FILES = 200
"""Open files that are left for the record, for frames that come in, and for workers."""
WANTED_FILES = 4096
FEWEST = 32
_LOG = logging.getLogger("shimwise.web")
TIMED_OUT = b"HTTP/1.1 408 Request Timeout\r\nconnection: close\r\ncontent-length: 0\r\n\r\n"


def most_connections() -> int:
    """Return how many connections this process may hold; it is allowed more open files where it can be."""
    try:
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        if soft != resource.RLIM_INFINITY and soft < WANTED_FILES:
            most = WANTED_FILES if hard == resource.RLIM_INFINITY else min(WANTED_FILES, hard)
            with suppress(OSError, ValueError):
                resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
                soft = most
    except (ImportError, AttributeError, OSError):  # a system without such limits
        return MOST
    return MOST if soft == resource.RLIM_INFINITY else max(FEWEST, min(MOST, soft - KEPT_FILES))


class Connections:
    """The connections that are open, counted in all and for each address; used in the server's loop alone.

    Parameters
    ----------
    most, most_of_one : int
        Caps in all and for each address; addresses of this machine, behind which a proxy may be, have the
        first alone.
    proxies : container of str
        Addresses of proxies elsewhere, which have the first alone too.
    """

    def __init__(
        self, *, most: int = MOST, most_of_one: int = MOST_OF_ONE, proxies: Container[str] = ()
    ) -> None:
        self.most, self.most_of_one, self.proxies = most, most_of_one, proxies
        self._address: dict[asyncio.Transport, str] = {}
        self._of: Counter[str] = Counter()
        self._idle: dict[str, dict[asyncio.Transport, None]] = {}

    def __len__(self) -> int:
        return len(self._address)

    def admit(self, transport: asyncio.Transport) -> bool:
        """Take a new connection, idle yet; False, and it is ended, where nothing idle can make room."""
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if isinstance(peer, tuple) and peer else ""
        is_admitted = True
        is_one = not _is_of_this_machine(address) and address not in self.proxies
        if is_one and self._of[address] >= self.most_of_one:
            is_admitted = self._make_room(address)
        elif len(self) >= self.most:
            is_admitted = self._make_room(*(one for one, _ in self._of.most_common()))
        if not is_admitted:
            _LOG.warning("More connections at once than are taken (%d): new ones are refused.", self.most)
            transport.abort()
            return False
        self._address[transport] = address
        self._of[address] += 1
        self.rest(transport)
        return True

    def work(self, transport: asyncio.Transport) -> None:
        """A request has come: the connection is busy until :meth:`rest`."""
        address = self._address.get(transport)
        if address is not None:
            self._idle.get(address, {}).pop(transport, None)

    def rest(self, transport: asyncio.Transport) -> None:
        """It is answered: the connection may make room for others, after those that rest for longer."""
        address = self._address.get(transport)
        if address is not None:
            idle = self._idle.setdefault(address, {})
            idle.pop(transport, None)
            idle[transport] = None

    def forget(self, transport: asyncio.Transport) -> None:
        """The connection has ended."""
        address = self._address.pop(transport, None)
        if address is None:
            return
        self._of[address] -= 1
        if not self._of[address]:
            del self._of[address]
        idle = self._idle.get(address, {})
        idle.pop(transport, None)
        if not idle:
            self._idle.pop(address, None)

    def _make_room(self, *addresses: str) -> bool:
        """End the connection that rests for longest, of the first of these addresses that has any."""
        for address in addresses:
            oldest = next(iter(self._idle.get(address, ())), None)
            if oldest is not None:
                self.forget(oldest)
                oldest.abort()
                return True
        return False


class LimitedProtocol(H11Protocol):
    """HTTP/1.1 whose connections are counted, and cut off where the other side keeps silent.

    Subclasses have ``known``. A connection that becomes a web socket counts on until it ends.
    """

    known: Connections
    silence_s = SILENCE_S
    _timer: asyncio.TimerHandle | None = None
    _got_bytes = 0
    _unsent_bytes = 0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, or end it."""
        super().connection_made(transport)
        if self.known.admit(transport):
            self._timer = self.loop.call_later(self.silence_s, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget a connection."""
        self._leave()
        self.known.forget(self.transport)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what has come."""
        self._got_bytes += len(data)
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self.known.work(self.transport)

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        if self.conn.their_state is h11.IDLE:
            self.known.rest(self.transport)

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        """Hand the connection over to a web socket, which has limits of its own."""
        self._leave()
        self.known.work(self.transport)
        super().handle_websocket_upgrade(event)
        held, transport = self.transport.get_protocol(), self.transport
        lost = held.connection_lost

        def forget(exc: Exception | None) -> None:
            self.known.forget(transport)
            lost(exc)

        held.connection_lost = forget  # type: ignore[method-assign]

    def _leave(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        """Cut the connection off where nothing came that is waited for, or nothing goes that is sent."""
        if self.transport.is_closing():
            return
        got, self._got_bytes = self._got_bytes, 0
        unsent, before = self.transport.get_write_buffer_size(), self._unsent_bytes
        self._unsent_bytes = unsent
        state = self.conn.their_state
        is_silent = (
            (state is h11.IDLE and self.timeout_keep_alive_task is None and got < LEAST_BYTES)
            or (state is h11.SEND_BODY and not self.flow.read_paused and got < LEAST_BYTES)
            or (self.flow.write_paused and unsent >= before > 0)
        )
        if not is_silent:
            self._timer = self.loop.call_later(self.silence_s, self._look)
            return
        _LOG.warning("A connection that said too little for %g s was ended.", self.silence_s)
        if self.flow.write_paused:
            self.transport.abort()
            return
        if state is h11.SEND_BODY and self.cycle is not None and not self.cycle.response_started:
            self.transport.write(TIMED_OUT)
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        self.transport.close()


def limited(known: Connections) -> type[LimitedProtocol]:
    """Return the protocol of a server whose connections are ``known``."""
    return type("LimitedProtocol", (LimitedProtocol,), {"known": known})


def _is_of_this_machine(address: str) -> bool:
    found = ip_address_of(address)
    return not address if found is None else found.is_loopback  # empty: a socket that is no network's
