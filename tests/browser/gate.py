"""A gate before a server: shut, the server is gone for a browser; held, it takes calls without an answer."""

import contextlib
import queue
import selectors
import socket
import struct
import threading
from typing import Literal, Self

__all__ = ["Gate"]

LOCAL = "127.0.0.1"
CHUNK_BYTES = 65536
RESET = struct.pack("ii", 1, 0)
"""Of SO_LINGER: what is closed is reset at once."""
State = Literal["open", "shut", "held", "end"]


class Gate:
    """Passes connections on to a server's port, as long as it is open; it opens and shuts at once.

    What a browser sees is what it sees when the server ends and starts: connections that are reset, then
    refused, then taken again at the same address. One thread owns all sockets.
    """

    def __init__(self, server_port: int) -> None:
        self.server_port = server_port
        with socket.socket() as free:
            free.bind((LOCAL, 0))
            self.port = int(free.getsockname()[1])
        self.address = f"http://{LOCAL}:{self.port}"
        self._asked: queue.SimpleQueue[State] = queue.SimpleQueue()
        self._done: queue.SimpleQueue[State] = queue.SimpleQueue()
        self._bell, self._woken = socket.socketpair()
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._door: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self._set("shut")
        self._set("end")
        self._thread.join()
        self._bell.close()
        self._woken.close()

    def open(self) -> None:
        """Take connections; what was held goes on."""
        self._set("open")

    def shut(self) -> None:
        """Reset all connections and refuse new ones."""
        self._set("shut")

    def hold(self) -> None:
        """Take connections and pass nothing on, as a server that hangs."""
        self._set("held")

    def _set(self, state: State) -> None:
        self._asked.put(state)
        self._bell.send(b"!")
        self._done.get(timeout=10)

    def _run(self) -> None:
        state: State = "shut"
        while state != "end":
            with selectors.DefaultSelector() as ready:
                for one in (self._woken, self._door, *(self._pairs if state == "open" else ())):
                    if one is not None:
                        ready.register(one, selectors.EVENT_READ)
                found = [key.fileobj for key, _ in ready.select()]
            for one in found:
                if one is self._woken:
                    self._woken.recv(1)
                    state = self._change(self._asked.get())
                elif one is self._door:
                    self._accept()
                elif one in self._pairs and isinstance(one, socket.socket):
                    self._pass(one)

    def _change(self, state: State) -> State:
        if state in ("open", "held") and self._door is None:
            self._door = socket.create_server((LOCAL, self.port), backlog=64)
        if state == "shut" and self._door is not None:
            self._door.close()
            self._door = None
            while self._pairs:
                self._end(next(iter(self._pairs)), is_reset=True)
        self._done.put(state)
        return state

    def _accept(self) -> None:
        if self._door is None:
            return
        near, _ = self._door.accept()
        try:
            far = socket.create_connection((LOCAL, self.server_port), timeout=10)
        except OSError:
            near.close()
            return
        self._pairs |= {near: far, far: near}

    def _pass(self, source: socket.socket) -> None:
        with contextlib.suppress(OSError):
            if chunk := source.recv(CHUNK_BYTES):
                self._pairs[source].sendall(chunk)
                return
        self._end(source)

    def _end(self, one: socket.socket, *, is_reset: bool = False) -> None:
        other = self._pairs.pop(one)
        self._pairs.pop(other)
        for each in (one, other):
            if is_reset:
                each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
            each.close()
