"""The line by which a page sends a camera's frames, and gets figures back: ``/live/preps/{prep_id}/feed``.

Frames are measured beside the event loop, one at a time for each page and by few threads for all, and are not
kept. What is not taken is refused in words, and the line closed.

References
----------
.. [1] RFC 6455, *The WebSocket Protocol*: close codes in section 7.4.1.
"""

import asyncio
import contextlib
import json
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.types import Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect, WebSocketState

from shimwise.bench.meter.feed_message import MOST_BYTES, MOST_PER_S, FeedRefusedError, read_message
from shimwise.bench.meter.page_feed import PageFeed, read_page_feed
from shimwise.errors import ShimwiseError
from shimwise.web.live import Hub
from shimwise.web.refusal import Refusal

if TYPE_CHECKING:
    from shimwise.bench.meter.feed_session import FeedAnswer, FeedSession

Result = TypeVar("Result")
MOST_LINES, THREADS = 4, 2
"""Pages that measure at once, and threads that measure for all of them."""
SHOWN_S = 0.2
"""A figure goes to the other devices as often as this. [s]"""
OVER_S, ROOM = 2.0, 1.15
"""Frames are counted over so long, with a little room: a network hands them on in bursts."""
REFUSED_CODE, MOST_TEXT = 1008, 4000
FULL = FeedRefusedError(
    "busy", f"{MOST_LINES} pages measure by the picture already, the most at once. End one of them first."
)
OTHER = FeedRefusedError(
    "other_page",
    "Another page measures this prep by the picture already. Take over here, or close the camera there.",
)
TAKEN = FeedRefusedError(
    "taken_over", "Another page has taken over. Open the camera here again to take it back."
)


class FeedLine:
    """An ASGI application for one web-socket route.

    Parameters
    ----------
    hub : Hub
        Where other devices look at the figure.
    spread : callable, optional
        Called with the prep that a page begins to measure: for pages of other servers that do.
    """

    def __init__(self, hub: Hub, *, spread: Callable[[str], None] | None = None) -> None:
        self.hub, self.spread = hub, spread
        self._lines: dict[str, _Line] = {}
        self._measuring = ThreadPoolExecutor(THREADS, thread_name_prefix="meter")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a page until it leaves, or is refused."""
        prep_id = str(scope["path_params"]["prep_id"])
        if await run_in_threadpool(self.hub.look, prep_id) is None:
            await Refusal(404, "No such prep", "The record holds no prep of this id.").answer(scope, send)
            return
        socket = WebSocket(scope, receive, send)
        await socket.accept()
        line = _Line(socket, prep_id)
        try:
            await self._serve(line)
        except WebSocketDisconnect:
            pass
        except ShimwiseError as error:
            await line.refuse(error)
        finally:
            if self._lines.get(prep_id) is line:
                del self._lines[prep_id]
                await self.hub.show(prep_id, json.dumps({"is_live": False}))

    async def _serve(self, line: "_Line") -> None:
        facts = read_page_feed(await line.text())
        await self._enter(line, facts)
        session = await self._measured(_begin, facts)
        await line.socket.send_json({"ready": True})
        while True:
            message = await line.message()
            answer = await self._answer(line, session, message)
            if answer is not None:
                await line.socket.send_json(answer.document)
                await self._show(line, facts, answer)

    async def _enter(self, line: "_Line", facts: PageFeed) -> None:
        """Take the place of the page that measures this prep, one at a time."""
        before, line.page = self._lines.get(line.prep_id), facts.page
        is_own = before is not None and bool(facts.page) and before.page == facts.page
        if before is not None and not (facts.takes_over or is_own):
            raise OTHER
        if before is None and len(self._lines) >= MOST_LINES:
            raise FULL
        self._lines[line.prep_id] = line
        if self.spread is not None:
            self.spread(line.prep_id)
        if before is not None:
            await before.refuse(TAKEN)

    def taken_elsewhere(self, prep_id: str) -> None:
        """End the line of a prep that a page of another server has begun to measure; from any thread."""
        line = self._lines.get(prep_id)
        if line is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended, and the line with it
                asyncio.run_coroutine_threadsafe(line.refuse(TAKEN), line.loop)

    async def _answer(
        self, line: "_Line", session: "FeedSession", message: bytes | dict[str, Any]
    ) -> "FeedAnswer | None":
        if isinstance(message, bytes):
            line.count()
            return await self._measured(lambda: session.take(read_message(message)))
        x_px, y_px = (message.get(name) for name in ("x", "y"))
        if message.get("do") == "pick" and isinstance(x_px, int | float) and isinstance(y_px, int | float):
            session.pick(float(x_px), float(y_px))
        elif message.get("do") == "start over":
            session.start_over()
        elif message.get("do") == "first":
            session.name_first(str(message.get("first")))
        elif message.get("do") == "stalled" and isinstance(message.get("t_us"), int):
            return await self._measured(session.stalled, message["t_us"])
        return None

    async def _measured(self, work: Callable[..., Result], *given: object) -> Result:
        return await asyncio.get_running_loop().run_in_executor(self._measuring, work, *given)

    async def _show(self, line: "_Line", facts: PageFeed, answer: "FeedAnswer") -> None:
        now_s = time.monotonic()
        if facts.is_sweep or now_s - line.shown_s < SHOWN_S:
            return
        line.shown_s = now_s
        shown = {name: answer.document[name] for name in ("landing", "contrast", "words")}
        await self.hub.show(line.prep_id, json.dumps({"is_live": True, "of": facts.of, **shown}))


class _Line:
    """One page's line."""

    def __init__(self, socket: WebSocket, prep_id: str) -> None:
        self.socket, self.prep_id, self.page = socket, prep_id, ""
        self.loop = asyncio.get_running_loop()
        self.shown_s = float("-inf")
        self._came_s: deque[float] = deque()

    async def text(self) -> str:
        """Return the page's first message, which is text."""
        message = await self._received()
        if "text" not in message or message["text"] is None:
            raise FeedRefusedError(
                "told", "Frames came before what is known of the camera. Load the page again."
            )
        return str(message["text"])

    async def message(self) -> bytes | dict[str, Any]:
        """Return a frame's bytes, or what the person has done."""
        message = await self._received()
        if message.get("bytes") is not None:
            return bytes(message["bytes"])
        text = str(message.get("text") or "")
        with contextlib.suppress(ValueError, RecursionError):
            done = json.loads(text) if len(text) <= MOST_TEXT else None
            if isinstance(done, dict):
                return done
        raise FeedRefusedError("told", "What the page sent cannot be read. Load the page again.")

    async def _received(self) -> dict[str, Any]:
        message = await self.socket.receive()
        if message["type"] == "websocket.disconnect":
            raise WebSocketDisconnect(message.get("code", 1000))
        if len(message.get("bytes") or b"") > MOST_BYTES:
            raise FeedRefusedError("size", f"More than {MOST_BYTES} bytes were sent for one frame.")
        return dict(message)

    def count(self) -> None:
        """Count a frame; refuse more of them than are taken."""
        now_s = time.monotonic()
        self._came_s.append(now_s)
        while self._came_s[0] < now_s - OVER_S:
            self._came_s.popleft()
        if len(self._came_s) > OVER_S * MOST_PER_S * ROOM:
            raise FeedRefusedError(
                "rate", f"More than {MOST_PER_S} frames a second were sent. Open the camera again."
            )

    async def refuse(self, error: ShimwiseError) -> None:
        """Send why the line ends, and end it."""
        refused = {"code": getattr(error, "kind", "not_possible"), "text": str(error)}
        if self.socket.application_state is WebSocketState.CONNECTED:
            with contextlib.suppress(RuntimeError, WebSocketDisconnect):
                await self.socket.send_json({"refused": refused})
                await self.socket.close(REFUSED_CODE)


def _begin(facts: PageFeed) -> "FeedSession":
    from shimwise.bench.meter.feed_session import FeedSession, warm_up  # needs the extra, and takes a second

    warm_up()
    return FeedSession(facts)
