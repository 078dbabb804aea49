"""A keep-alive HTTP/1.1 line that costs little, so that the server is measured and not the one who asks."""

import asyncio
import json
import time
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

__all__ = ["Answer", "HttpLine"]

PATIENCE_S = 30.0


class Answer:
    """A status, a body and how long it took. [ms]"""

    def __init__(self, status: int, body: bytes, took_ms: float) -> None:
        self.status, self.body, self.took_ms = status, body, took_ms

    @property
    def json(self) -> Any:  # noqa: ANN401  # whatever the server says
        """The body as JSON."""
        return json.loads(self.body)


class HttpLine:
    """One client's line to the server; it is opened anew when it broke."""

    def __init__(self, address: str, *, patience_s: float = PATIENCE_S) -> None:
        parts = urlsplit(address)
        self.patience_s = patience_s
        self.host, self.port = parts.hostname or "", parts.port or 80
        self.reader: asyncio.StreamReader | None = None
        self.writer: asyncio.StreamWriter | None = None

    async def __aenter__(self) -> "HttpLine":
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.drop()

    def drop(self) -> None:
        """Close the line."""
        if self.writer is not None:
            self.writer.close()
        self.reader = self.writer = None

    async def get(self, path: str) -> Answer:
        """Ask for a path."""
        return await self.ask("GET", path, None)

    async def post(self, path: str, said: dict[str, Any]) -> Answer:
        """Send JSON to a path."""
        return await self.ask("POST", path, json.dumps(said).encode())

    async def ask(self, method: str, path: str, body: bytes | None) -> Answer:
        """Ask once; OSError or EOFError where the server went away."""
        head = f"{method} {path} HTTP/1.1\r\nhost: {self.host}:{self.port}\r\naccept: application/json\r\n"
        if body is not None:
            head += f"content-type: application/json\r\ncontent-length: {len(body)}\r\n"
        began = time.perf_counter()
        try:
            async with asyncio.timeout(self.patience_s):
                if self.writer is None or self.reader is None:
                    self.reader, self.writer = await asyncio.open_connection(self.host, self.port)
                self.writer.write(f"{head}\r\n".encode() + (body or b""))
                status, answer = await self._read(self.reader)
        except BaseException:
            self.drop()
            raise
        return Answer(status, answer, 1e3 * (time.perf_counter() - began))

    async def _read(self, reader: asyncio.StreamReader) -> tuple[int, bytes]:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        status = int(head[0].split()[1])
        headers = {
            name.lower(): value.strip()
            for name, _, value in (line.partition(":") for line in head[1:] if line)
        }
        if headers.get("transfer-encoding") == "chunked":
            body = b""
            while size := int((await reader.readuntil(b"\r\n")).strip(), 16):
                body += (await reader.readexactly(size + 2))[:-2]
            await reader.readexactly(2)
            return status, body
        return status, await reader.readexactly(int(headers.get("content-length", 0)))
