"""Changes of a prep, sent to every device that shows it, by server-sent events.

What is sent is the prep's state (its revision, and that of its verdict), not each change: a device that was
away gets the present state at once, and many quick changes become one event. The event's id is the state.

References
----------
.. [1] WHATWG, *HTML Living Standard*, section 9.2, server-sent events.
"""

import asyncio
import contextlib
import json
import random
import threading
from collections.abc import AsyncGenerator, Callable
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.types import Message, Receive, Scope, Send

from shimwise.web.refusal import Refusal, header

HEARTBEAT_S = 15.0
"""A silent line is kept open, and a dead one found, by a comment as often as this. [s]"""
POLL_S = 2.0
"""A change made by another process is found within this time, where it is not heard. [s]"""
HEARD_POLL_S = 30.0
"""How often is looked where changes are heard. [s]"""
CALM_S = 0.1
"""The record is asked at most once in this time for each prep that is looked at. [s]"""
RETRY_MS = 1500
"""When a browser comes back after its line broke. [ms]"""
_HEADERS = (
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"x-accel-buffering", b"no"),
)
END: Message = {"type": "http.response.body", "body": b"", "more_body": False}
MOST_STREAMS = 200
"""Open lines at once; a further one has to come back later."""
FULL = Refusal(
    503,
    "Too many devices",
    f"{MOST_STREAMS} devices look at preps already. This one looks again in a while.",
    {"Retry-After": "10"},
    {"most_streams": MOST_STREAMS},
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveState:
    """The version of a prep: its revision, and the id of the verdict given for it."""

    revision: int
    verdict: str = ""
    problem: str = ""

    @property
    def id(self) -> str:
        """The event's id."""
        return f"{self.revision}-{self.verdict}" if not self.problem else f"{self.revision}-{self.verdict}!"

    @property
    def event(self) -> bytes:
        """The event as it goes over the line."""
        data = {"revision": self.revision, "verdict": self.verdict, "problem": self.problem}
        return f"id: {self.id}\nevent: change\ndata: {json.dumps(data, ensure_ascii=False)}\n\n".encode()


@dataclass(frozen=True, slots=True)
class LiveFigure:
    """What another device measures of a prep by the picture just now; ``text``: JSON."""

    text: str

    @property
    def event(self) -> bytes:
        """The event as it goes over the line; it has no id, for it is gone in a moment."""
        return f"event: figure\ndata: {self.text}\n\n".encode()


class Hub:
    """Connects those who change preps with the devices that show them.

    Parameters
    ----------
    look : callable
        Returns a prep's present state, None if there is no such prep; called in a worker thread.
    poll_s : float
        How often a prep that is shown is looked up though no change was reported. [s]
    spread : callable, optional
        Called with each figure that is shown, prep and JSON: for devices that other servers serve.
    """

    def __init__(
        self,
        look: Callable[[str], LiveState | None],
        *,
        poll_s: float = POLL_S,
        spread: Callable[[str, str], None] | None = None,
    ) -> None:
        self.look, self.poll_s, self.spread = look, poll_s, spread
        self.is_closed = False
        self._lock = threading.Lock()
        self._watches: dict[str, _Watch] = {}
        self._count = 0

    def notify(self, prep_id: str | None = None, *, problem: str = "") -> None:
        """Report that a prep has changed, or any of them; may be called from any thread.

        Parameters
        ----------
        prep_id : str, optional
            The prep; all that are looked at when left out.
        problem : str
            Why there is no new verdict, in words.
        """
        with self._lock:
            watches = [watch for key, watch in self._watches.items() if prep_id is None or key == prep_id]
        for watch in watches:
            watch.wake(problem if prep_id else None)

    async def show(self, prep_id: str, figure: str) -> None:
        """Show a figure, JSON, on all devices that look at a prep; of several the newest counts."""
        if self.spread is not None:
            self.spread(prep_id, figure)
        watch = self._watches.get(prep_id)
        if watch is not None:
            await watch.show(LiveFigure(figure))

    def show_heard(self, prep_id: str, figure: str) -> None:
        """Show a figure that came from another server; from any thread."""
        with self._lock:
            watch = self._watches.get(prep_id)
        if watch is not None:
            watch.show_soon(LiveFigure(figure))

    def close(self) -> None:
        """End every line; may be called from any thread."""
        with self._lock:
            self.is_closed = True
            watches = list(self._watches.values())
        for watch in watches:
            watch.wake(None)

    def take_place(self) -> bool:
        """Take a place for a line, to be given back by :meth:`leave_place`; False where all are taken."""
        with self._lock:
            is_free = self._count < MOST_STREAMS and not self.is_closed
            self._count += is_free
        return is_free

    def leave_place(self) -> None:
        """Free the place of a line."""
        with self._lock:
            self._count -= 1

    async def states(self, prep_id: str, *, seen: str = "") -> AsyncGenerator[LiveState | LiveFigure | None]:
        """Yield the states of a prep as they come, beginning with the present one unless it was ``seen``.

        Between them come figures that another device measures. None is yielded if nothing happened for as
        long as a heartbeat. Ends when the hub is closed or the prep is gone.
        """
        watch = self._enter(prep_id)
        shown = watch.figure
        try:
            while not self.is_closed:
                state = watch.state
                if watch.is_gone:
                    return
                if state is not None and state.id != seen:
                    seen = state.id
                    yield state
                elif watch.figure is not None and watch.figure is not shown:
                    shown = watch.figure
                    yield shown
                elif not await watch.changed(seen, shown, HEARTBEAT_S):
                    yield None
        finally:
            self._leave(prep_id, watch)

    def _enter(self, prep_id: str) -> "_Watch":
        with self._lock:
            watch = self._watches.get(prep_id)
            if watch is None:
                watch = self._watches[prep_id] = _Watch(self, prep_id)
            watch.count += 1
        return watch

    def _leave(self, prep_id: str, watch: "_Watch") -> None:
        with self._lock:
            watch.count -= 1
            if watch.count:
                return
            if self._watches.get(prep_id) is watch:
                del self._watches[prep_id]
        watch.stop()


class _Watch:
    """One prep that is shown: one task asks the record for it, however many devices show it."""

    def __init__(self, hub: Hub, prep_id: str) -> None:
        self.hub, self.prep_id = hub, prep_id
        self.count = 0
        self.state: LiveState | None = None
        self.figure: LiveFigure | None = None
        self.is_gone = False
        self.problem = ""
        self._loop = asyncio.get_running_loop()
        self._woken = asyncio.Event()
        self._news = asyncio.Condition()
        self._task = self._loop.create_task(self._run())

    def wake(self, problem: str | None) -> None:
        """Poll the record soon; from any thread."""
        with contextlib.suppress(RuntimeError):  # the loop has ended: nobody looks any more
            self._loop.call_soon_threadsafe(self._wake, problem)

    def _wake(self, problem: str | None) -> None:
        if problem is not None:
            self.problem = problem
        self._woken.set()

    def show_soon(self, figure: LiveFigure) -> None:
        """Send a figure to those who wait; from any thread."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(lambda: self._loop.create_task(self.show(figure)))

    def stop(self) -> None:
        """End the task."""
        self._task.cancel()

    async def show(self, figure: LiveFigure) -> None:
        """Send a figure to those who wait."""
        self.figure = figure
        async with self._news:
            self._news.notify_all()

    async def changed(self, seen: str, shown: LiveFigure | None, patience_s: float) -> bool:
        """Wait for another state or figure than those seen; False when it took longer than ``patience_s``."""

        def has_changed() -> bool:
            is_new = self.state is not None and self.state.id != seen
            return is_new or self.figure is not shown or self.is_gone or self.hub.is_closed

        try:
            async with asyncio.timeout(patience_s), self._news:
                await self._news.wait_for(has_changed)
        except TimeoutError:
            return False
        return True

    async def _run(self) -> None:
        while True:
            self._woken.clear()
            await self._ask()
            async with self._news:
                self._news.notify_all()
            if self.hub.is_closed:
                return
            await asyncio.sleep(CALM_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), self.hub.poll_s)

    async def _ask(self) -> None:
        """Read the prep once; a record that cannot be reached is asked again at the next turn."""
        try:
            found = await run_in_threadpool(self.hub.look, self.prep_id)
        except Exception:  # the line stays open; the pages themselves show what is wrong with the record
            return
        self.is_gone = found is None
        if found is None:
            return
        if self.state is not None and (found.revision, found.verdict) != (
            self.state.revision,
            self.state.verdict,
        ):
            self.problem = ""
        self.state = LiveState(revision=found.revision, verdict=found.verdict, problem=self.problem)


class EventStream:
    """The answer to ``GET /live/preps/{prep_id}``: an ASGI application for one route.

    ``Last-Event-ID`` (or ``?seen=``) is the state that the device knows; it gets the next.
    """

    def __init__(self, hub: Hub) -> None:
        self.hub = hub

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or pass it on."""
        prep_id = str(scope["path_params"]["prep_id"])
        if not self.hub.take_place():  # before anything is waited for: else more would pass than have a place
            await FULL.answer(scope, send)
            return
        try:
            await self._answer(prep_id, scope, receive, send)
        finally:
            self.hub.leave_place()

    async def _answer(self, prep_id: str, scope: Scope, receive: Receive, send: Send) -> None:
        if await run_in_threadpool(self.hub.look, prep_id) is None:
            await Refusal(404, "No such prep", "The record holds no prep of this id.").answer(scope, send)
            return
        await self._stream(prep_id, header(scope, "last-event-id") or "", receive, send)

    async def _stream(self, prep_id: str, seen: str, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": _HEADERS})
        sending = asyncio.ensure_future(self._send_states(prep_id, seen, send))
        leaving = asyncio.ensure_future(_until_left(receive))
        try:
            await asyncio.wait({sending, leaving}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sending, leaving):
                task.cancel()
            await asyncio.gather(sending, leaving, return_exceptions=True)
        if self.hub.is_closed:  # not all at the same moment to the server that goes on
            await send(_part(b"retry: %d\n\n" % random.randint(100, RETRY_MS)))  # noqa: S311 - no secret
        await send(END)  # to a device that was un-paired too; one that has gone does not receive it

    async def _send_states(self, prep_id: str, seen: str, send: Send) -> None:
        await send(_part(f"retry: {RETRY_MS}\n\n".encode()))
        async with contextlib.aclosing(self.hub.states(prep_id, seen=seen)) as states:
            async for state in states:
                await send(_part(b": here\n\n" if state is None else state.event))


def _part(body: bytes) -> Message:
    return {"type": "http.response.body", "body": body, "more_body": True}


async def _until_left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
