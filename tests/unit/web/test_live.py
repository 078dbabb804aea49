"""The lines by which devices see a prep change, without a server between."""

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from shimwise.web import live
from shimwise.web.live import EventStream, Hub, LiveState


class Prep:
    """A prep that a test changes, and how often it was asked for."""

    def __init__(self) -> None:
        self.state: LiveState | None = LiveState(revision=1)
        self.asked = 0

    def look(self, prep_id: str) -> LiveState | None:
        self.asked += 1
        return self.state if prep_id == "p" else None


def _in_time(work: Callable[[], Awaitable[None]], seconds: float = 5.0) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(seconds):
            await work()

    asyncio.run(bounded())


@pytest.fixture
def prep() -> Prep:
    return Prep()


def test_a_device_is_told_the_present_state_first_and_then_each_change(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        states = hub.states("p")
        assert await anext(states) == LiveState(revision=1)
        prep.state = LiveState(revision=2)
        hub.notify("p")
        assert await anext(states) == LiveState(revision=2)
        prep.state = LiveState(revision=2, verdict="v1")
        threading.Thread(target=hub.notify).start()
        assert await anext(states) == LiveState(revision=2, verdict="v1")
        await states.aclose()

    _in_time(work)


def test_a_device_that_comes_back_is_told_only_what_it_has_not_seen(
    prep: Prep, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "HEARTBEAT_S", 0.05)
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        states = hub.states("p", seen=LiveState(revision=1).id)
        assert await anext(states) is None
        prep.state = LiveState(revision=7)
        hub.notify("p")
        found = await anext(states)
        while found is None:
            found = await anext(states)
        assert found.revision == 7
        await states.aclose()

    _in_time(work)


def test_a_change_made_by_another_process_is_found_without_being_told(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=0.05)

    async def work() -> None:
        states = hub.states("p")
        await anext(states)
        prep.state = LiveState(revision=2)
        assert await anext(states) == LiveState(revision=2)
        await states.aclose()

    _in_time(work)


def test_a_problem_of_the_judge_is_told_until_the_prep_changes(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        states = hub.states("p")
        await anext(states)
        hub.notify("p", problem="The judge ended.")
        assert (await anext(states)).problem == "The judge ended."
        prep.state = LiveState(revision=2)
        hub.notify("p")
        assert await anext(states) == LiveState(revision=2)
        await states.aclose()

    _in_time(work)


def test_many_devices_and_many_changes_ask_the_record_seldom(
    prep: Prep, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "CALM_S", 0.05)
    hub = Hub(prep.look, poll_s=60)

    async def follow(until: int) -> None:
        async for state in hub.states("p"):
            if state is not None and state.revision >= until:
                return

    async def work() -> None:
        devices = [asyncio.create_task(follow(400)) for _ in range(100)]
        for revision in range(2, 401):
            prep.state = LiveState(revision=revision)
            hub.notify("p")
            await asyncio.sleep(0.001)
        await asyncio.gather(*devices)

    began = time.monotonic()
    _in_time(work, 20)
    assert prep.asked <= (time.monotonic() - began) / 0.05 + 3
    assert not hub._watches


def test_lines_end_when_the_server_stops(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        async def follow() -> list[LiveState | None]:
            return [state async for state in hub.states("p")]

        devices = [asyncio.create_task(follow()) for _ in range(3)]
        await asyncio.sleep(0.1)
        threading.Thread(target=hub.close).start()
        assert await asyncio.gather(*devices) == [[LiveState(revision=1)]] * 3

    _in_time(work)


def test_a_record_that_is_away_for_a_while_breaks_no_line(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=0.05)
    look, is_away = hub.look, True

    def away(prep_id: str) -> LiveState | None:
        if is_away:
            raise ConnectionError("the server is gone")
        return look(prep_id)

    hub.look = away

    async def work() -> None:
        nonlocal is_away
        states = hub.states("p")
        first = asyncio.ensure_future(anext(states))
        await asyncio.sleep(0.2)
        assert not first.done()
        is_away = False
        assert await first == LiveState(revision=1)
        await states.aclose()

    _in_time(work)


class Line:
    """One request for a stream, as a server would bring it."""

    def __init__(self, prep_id: str, *headers: tuple[bytes, bytes]) -> None:
        self.scope = {
            "type": "http", "method": "GET", "path": f"/live/preps/{prep_id}", "headers": list(headers),
            "path_params": {"prep_id": prep_id},
        }  # fmt: skip
        self.sent: list[dict[str, Any]] = []
        self.left = asyncio.Event()

    async def receive(self) -> dict[str, Any]:
        await self.left.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: dict[str, Any]) -> None:
        self.sent.append(message)

    @property
    def text(self) -> str:
        return b"".join(message.get("body", b"") for message in self.sent).decode()


def test_a_change_goes_over_the_line_as_an_event_with_its_id(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        line = Line("p")
        answering = asyncio.create_task(EventStream(hub)(line.scope, line.receive, line.send))
        while "data:" not in line.text:
            await asyncio.sleep(0.01)
        assert line.sent[0]["status"] == 200
        assert (b"content-type", b"text/event-stream; charset=utf-8") in line.sent[0]["headers"]
        event = line.text.split("\n\n")[1].splitlines()
        assert event[:2] == ["id: 1-", "event: change"]
        assert event[2] == 'data: {"revision": 1, "verdict": "", "problem": ""}'
        line.left.set()
        await answering
        assert not hub._watches

    _in_time(work)


def test_the_last_event_that_a_browser_names_is_not_told_again(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        line = Line("p", (b"last-event-id", b"1-"))
        answering = asyncio.create_task(EventStream(hub)(line.scope, line.receive, line.send))
        await asyncio.sleep(0.3)
        assert "data:" not in line.text
        hub.close()
        await answering

    _in_time(work)


def test_a_prep_that_is_not_there_is_told_so(prep: Prep) -> None:
    async def work() -> None:
        line = Line("other")
        await EventStream(Hub(prep.look))(line.scope, line.receive, line.send)
        assert line.sent[0]["status"] == 404

    _in_time(work)


def test_more_devices_than_are_taken_are_told_to_come_back(
    prep: Prep, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "MOST_STREAMS", 0)

    async def work() -> None:
        line = Line("p")
        await EventStream(Hub(prep.look))(line.scope, line.receive, line.send)
        assert line.sent[0]["status"] == 503
        assert (b"retry-after", b"10") in line.sent[0]["headers"]

    _in_time(work)


def test_a_figure_comes_between_the_states_and_only_while_it_is_new(prep: Prep) -> None:
    hub = Hub(prep.look, poll_s=60)

    async def work() -> None:
        states = hub.states("p")
        assert await anext(states) == LiveState(revision=1)
        await hub.show("other", "{}")  # nobody looks at that prep
        await hub.show("p", '{"is_live": true}')
        assert await anext(states) == live.LiveFigure('{"is_live": true}')
        late = hub.states("p", seen=LiveState(revision=1).id)
        prep.state = LiveState(revision=2)
        hub.notify("p")
        assert await anext(states) == LiveState(revision=2)
        assert await anext(late) == LiveState(revision=2)
        await late.aclose()
        await states.aclose()

    _in_time(work)


def test_a_figure_of_another_server_is_shown_and_ones_own_is_spread(prep: Prep) -> None:
    spread: list[tuple[str, str]] = []
    hub = Hub(prep.look, poll_s=60, spread=lambda prep_id, figure: spread.append((prep_id, figure)))

    async def work() -> None:
        states = hub.states("p")
        await anext(states)
        threading.Thread(target=hub.show_heard, args=("p", '{"is_live": true}')).start()
        assert await anext(states) == live.LiveFigure('{"is_live": true}')
        hub.show_heard("other", "{}")
        await hub.show("other", '{"is_live": false}')
        await states.aclose()

    _in_time(work)
    assert spread == [("other", '{"is_live": false}')], "what came from another server is not sent back"
