"""Asks an application as a browser or a program would, without a server between."""

import asyncio
from collections.abc import AsyncIterator, Iterable, Mapping
from typing import Any

import httpx
from starlette.types import ASGIApp

__all__ = ["AsgiClient"]


class AsgiClient:
    """One who asks; keeps the cookies it is given, and follows no redirect by itself."""

    def __init__(self, app: ASGIApp, *, at: str, address: str = "127.0.0.1") -> None:
        self.app, self.at, self.address = app, at, address
        self.cookies = httpx.Cookies()

    def ask(
        self,
        method: str,
        path: str,
        *,
        headers: Mapping[str, str] | None = None,
        content: bytes | Iterable[bytes] | None = None,
        form: Mapping[str, str] | None = None,
        json: Any = None,  # noqa: ANN401  # whatever JSON can say
    ) -> httpx.Response:
        """Ask once."""
        if content is not None and not isinstance(content, bytes):
            content = _streamed(content)  # type: ignore[assignment]

        async def asked() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, client=(self.address, 40000))
            async with httpx.AsyncClient(
                transport=transport, base_url=self.at, cookies=self.cookies
            ) as client:
                answer = await client.request(
                    method, path, headers=headers, content=content, data=form, json=json
                )
                self.cookies = httpx.Cookies(client.cookies)
                return answer

        return asyncio.run(asked())

    def get(self, path: str, **options: Any) -> httpx.Response:  # noqa: ANN401  # as ``ask`` takes them
        """Ask for a page."""
        return self.ask("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:  # noqa: ANN401  # as ``ask`` takes them
        """Send something from the pages themselves unless the headers say otherwise."""
        return self.ask("POST", path, **{"headers": {"origin": self.at}, **options})


async def _streamed(pieces: Iterable[bytes]) -> AsyncIterator[bytes]:
    for piece in pieces:
        yield piece
