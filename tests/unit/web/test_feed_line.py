"""The line of a page that films: who is let in, what is refused in words, what other devices see of it."""

import itertools
import json
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.applications import Starlette
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocketDisconnect

from filmed import Frame, filmed, message
from shimwise.bench.access.pairing import pair_device, set_passphrase, unpair_device
from shimwise.record.record import Record
from shimwise.web import feed_line
from shimwise.web.feed_line import FeedLine
from shimwise.web.live import EventStream, Hub, LiveFigure, LiveState
from shimwise.web.pairing import COOKIE, Devices, PairedOnly, guard
from shimwise.web.security import guarded

with warnings.catch_warnings():  # it would rather have another library of the same make
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient, WebSocketDenialResponse

AT = "http://127.0.0.1:8052"
LINE = "/live/preps/p/feed"
TOLD = {"pixel_um": 6.0, "fnumber": 2.0, "first": "away", "of": {"lens": "H50", "at": "3'"}}


class House:
    """A server's line, and devices at it."""

    def __init__(self) -> None:
        self.hub = Hub(lambda prep_id: LiveState(revision=1) if prep_id in {"p", "q"} else None, poll_s=60)
        self.begun: list[str] = []
        self.feeds = FeedLine(self.hub, spread=self.begun.append)
        routes = [
            Route("/live/preps/{prep_id}", EventStream(self.hub), methods=["GET"]),
            WebSocketRoute("/live/preps/{prep_id}/feed", self.feeds),
        ]
        self.routed = Starlette(routes=routes)
        self.client = TestClient(guarded(self.routed), base_url=AT)

    @contextmanager
    def line(self, path: str = LINE, *, origin: str | None = AT, told: Any = TOLD) -> Iterator[Any]:  # noqa: ANN401
        headers = {"host": "127.0.0.1:8052"} | ({"origin": origin} if origin else {})
        with self.client.websocket_connect(path, headers=headers) as line:
            if told is not None:
                line.send_text(json.dumps(told))
            yield line


@pytest.fixture
def house() -> House:
    return House()


def refusal(line: Any) -> dict[str, str]:  # noqa: ANN401
    """Give why the line ends, and see that it has ended."""
    said = line.receive_json()
    while "refused" not in said:
        said = line.receive_json()
    with pytest.raises(WebSocketDisconnect) as ended:
        line.receive_json()
    assert ended.value.code == 1008
    return said["refused"]


@pytest.mark.slow
def test_frames_are_answered_with_what_to_send_next(house: House) -> None:
    with house.line() as line:
        assert line.receive_json() == {"ready": True}
        line.send_bytes(message(filmed()[0], "whole"))
        answer = line.receive_json()
        assert answer["t_us"] == 0
        line.send_bytes(message(filmed()[1], answer["want"]))
        assert line.receive_json()["t_us"] == 40_000


@pytest.mark.slow
def test_positions_of_a_sweep_are_no_landing_for_others_to_look_at(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown: list[str] = []

    async def show(_prep_id: str, figure: str) -> None:
        shown.append(figure)

    monkeypatch.setattr(house.hub, "show", show)
    for told in (TOLD, {**TOLD, "is_sweep": True}):
        with house.line(told=told) as line:
            line.receive_json()
            line.send_bytes(message(filmed()[0], "whole"))
            line.receive_json()
    assert [json.loads(one)["is_live"] for one in shown] == [True, False, False]


def test_a_device_that_is_not_paired_is_denied_the_line_and_one_that_is_unpaired_loses_it(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "LOOK_S", 0.05)
    with Record.open(tmp_path) as record:
        set_passphrase(record, passphrase="heron over the third bay")  # invented
        known = Devices(record, clock=itertools.count(step=10).__next__)
        device, token = pair_device(record, name="bay 2 tablet", how="passphrase")
        client = TestClient(guarded(PairedOnly(house.routed, known)), base_url=AT)
        headers = {"host": "127.0.0.1:8052", "origin": AT}
        for cookie in ("", f"{COOKIE}=no-such-token"):
            with pytest.raises(WebSocketDenialResponse) as denied:
                client.websocket_connect(LINE, headers=headers | {"cookie": cookie}).__enter__()
            assert denied.value.status_code == 401
            assert denied.value.json()["type"].endswith("#not-paired")
        with client.websocket_connect(LINE, headers=headers | {"cookie": f"{COOKIE}={token}"}) as line:
            line.send_text(json.dumps(TOLD))
            assert line.receive_json() == {"ready": True}
            unpair_device(record, device.id)
            until_s = time.monotonic() + 5.0
            while house.feeds._lines and time.monotonic() < until_s:
                time.sleep(0.05)
            assert not house.feeds._lines


@pytest.mark.parametrize("origin", ["https://evil.example", "http://127.0.0.1:9999", "null", None])
def test_a_line_that_another_page_opens_is_denied_in_words(house: House, origin: str | None) -> None:
    with pytest.raises(WebSocketDenialResponse) as denied, house.line(origin=origin):
        pass
    assert denied.value.status_code == 403
    assert "sent by another page" in denied.value.json()["detail"]


def test_a_name_bent_to_this_machine_and_a_prep_that_is_none_are_denied(house: House) -> None:
    with pytest.raises(WebSocketDenialResponse) as denied:
        house.client.websocket_connect(LINE, headers={"host": "evil.example", "origin": AT}).__enter__()
    assert denied.value.status_code == 403
    with pytest.raises(WebSocketDenialResponse) as denied, house.line("/live/preps/none/feed"):
        pass
    assert denied.value.status_code == 404


def test_no_other_address_takes_a_web_socket(house: House) -> None:
    with pytest.raises((WebSocketDisconnect, WebSocketDenialResponse)), house.line("/preps/p"):
        pass


def test_what_is_told_wrongly_is_refused_in_words(house: House) -> None:
    with house.line(told={"pixel_um": 6000}) as line:
        assert "between 0.2 and 100; 6000 is impossible" in refusal(line)["text"]
    with house.line(told=None) as line:
        line.send_bytes(b"SWF1")
        assert refusal(line)["code"] == "told"


def test_bad_headers_large_pictures_and_too_many_are_refused_in_words(house: House) -> None:
    large = Frame(0.0, np.zeros((1024, 1024), np.uint8))
    cases = {
        b"nonsense": "header",
        message(large, [[0, 0, 0, 513, 512, 1]], size=(1920, 1080)): "size",
        message(large, [[0, 0, 0, 1024, 1024, 1]] * 2, size=(1920, 1080)): "size",
        message(filmed()[0], [[star, 0, 0, 16, 16, 1] for star in range(6)]): "count",
    }
    for sent, code in cases.items():
        with house.line() as line:
            line.send_bytes(sent)
            assert refusal(line)["code"] == code


@pytest.mark.slow
def test_more_than_thirty_frames_a_second_are_refused(house: House) -> None:
    tiny = Frame(0.0, np.full((200, 200), 180, np.uint8))
    with house.line() as line:
        for _ in range(80):
            line.send_bytes(message(tiny, "whole", size=(200, 200)))
        assert "More than 30 frames a second" in refusal(line)["text"]


def test_a_second_page_of_a_prep_is_asked_and_may_take_over(house: House) -> None:
    with house.line() as first:
        assert first.receive_json() == {"ready": True}
        with house.line() as second:
            assert refusal(second)["code"] == "other_page"
        with house.line("/live/preps/q/feed") as elsewhere:
            assert elsewhere.receive_json() == {"ready": True}
        with house.line(told={**TOLD, "takes_over": True}) as third:
            assert third.receive_json() == {"ready": True}
            assert refusal(first)["code"] == "taken_over"
            third.send_bytes(message(filmed()[0], "whole"))
            assert third.receive_json()["want"]


def test_a_page_takes_its_own_former_line_over_without_asking(house: House) -> None:
    with house.line(told={**TOLD, "page": "a"}) as former:
        assert former.receive_json() == {"ready": True}
        with house.line(told={**TOLD, "page": "a"}) as again:
            assert again.receive_json() == {"ready": True}
            assert refusal(former)["code"] == "taken_over"
            with house.line(told={**TOLD, "page": "b"}) as other:
                assert refusal(other)["code"] == "other_page"


def test_the_most_pages_at_once_are_few(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(feed_line, "MOST_LINES", 1)
    with house.line() as first:
        assert first.receive_json() == {"ready": True}
        with house.line("/live/preps/q/feed") as second:
            assert refusal(second)["code"] == "busy"


def test_other_devices_see_the_figure_and_that_it_ends(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[dict[str, Any]] = []

    async def show(prep_id: str, figure: str) -> None:
        shown.append(json.loads(figure))

    monkeypatch.setattr(house.hub, "show", show)
    with house.line() as line:
        line.receive_json()
        line.send_bytes(message(filmed()[0], "whole"))
        line.receive_json()
        line.send_bytes(b"x")
        refusal(line)
    assert shown[0]["is_live"]
    assert shown[0]["of"]["lens"] == "H50"
    assert shown[-1] == {"is_live": False}


def test_a_figure_is_an_event_without_an_id() -> None:
    assert LiveFigure('{"is_live": false}').event == b'event: figure\ndata: {"is_live": false}\n\n'


def test_a_page_of_another_server_takes_over_and_its_figures_are_shown_here(house: House) -> None:
    shown: list[tuple[str, str]] = []
    house.hub.spread = lambda prep_id, figure: shown.append((prep_id, figure))
    with house.line() as line:
        assert line.receive_json() == {"ready": True}
        assert house.begun == ["p"]
        house.feeds.taken_elsewhere("q")
        house.feeds.taken_elsewhere("p")
        assert refusal(line)["code"] == "taken_over"
    assert shown == [("p", '{"is_live": false}')]
