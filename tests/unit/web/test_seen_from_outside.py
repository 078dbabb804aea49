"""What is seen of a server from outside: its health, a request's id and line, what a proxy is believed."""

import asyncio
import logging
import re
import threading
import time
from typing import Any

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from shimwise import __version__
from shimwise.record.errors import RecordAway
from shimwise.web import health
from shimwise.web.health import Health
from shimwise.web.proxies import BadProxyError, Proxies
from shimwise.web.request_log import RequestIds, logged
from shimwise.web.security import guarded

PROXY, DEVICE = "192.0.2.5", "192.0.2.77"  # RFC 5737


def ask(app: ASGIApp, path: str, *, client: str = DEVICE, **headers: str) -> httpx.Response:
    async def asked() -> httpx.Response:
        transport = httpx.ASGITransport(app, client=(client, 5000))
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.example") as line:
            sent = {name.replace("_", "-"): value for name, value in headers.items()}
            return await line.get(path, headers=sent)

    return asyncio.run(asked())


async def _said(request: Request) -> Response:
    logging.getLogger("shimwise.web").warning("seen")
    return PlainTextResponse(f"{request.url.scheme} {request.client.host if request.client else ''}")


def _pages(*, named: tuple[str, ...] = ()) -> ASGIApp:
    proxies = Proxies(named)
    app = Starlette(routes=[Route("/pair/{code}", _said), Route("/preps/{prep_id}/papers/{paper}", _said)])
    return RequestIds(proxies.believed(guarded(app, names=("bench.example",))), proxies=proxies)


@pytest.mark.parametrize("named", [PROXY, "192.0.2.0/29", "::1"])
def test_only_the_proxy_that_is_named_is_believed(named: str) -> None:
    told = {"x_forwarded_for": "198.51.100.9", "x_forwarded_proto": "https", "x_request_id": "edge-12345678"}
    by_proxy = ask(_pages(named=(named, PROXY)), "/pair/1", client=PROXY, **told)
    assert by_proxy.text == "https 198.51.100.9"
    assert by_proxy.headers["x-request-id"] == "edge-12345678"
    by_device = ask(_pages(named=(named,)), "/pair/1", **told)
    assert by_device.text == f"http {DEVICE}"
    assert re.fullmatch(r"[0-9a-f]{32}", by_device.headers["x-request-id"])


def test_nobody_is_believed_where_no_proxy_is_named() -> None:
    told = {"x_forwarded_for": "198.51.100.9", "x_forwarded_proto": "https", "x_request_id": "edge-12345678"}
    answer = ask(_pages(), "/pair/1", client="127.0.0.1", **told)
    assert answer.text == "http 127.0.0.1"
    assert answer.headers["x-request-id"] != "edge-12345678"


@pytest.mark.parametrize("sent", ["short", "x" * 65, "with space 123", "a" * 8 + "\t", "<script>1234", ""])
def test_an_id_of_a_proxy_that_is_not_well_formed_is_not_taken(sent: str) -> None:
    answer = ask(_pages(named=(PROXY,)), "/pair/1", client=PROXY, x_request_id=sent)
    assert re.fullmatch(r"[0-9a-f]{32}", answer.headers["x-request-id"])


@pytest.mark.parametrize("named", ["proxy.example", "10.0.0.1/24", ""])
def test_a_proxy_is_named_by_its_address(named: str) -> None:
    with pytest.raises(BadProxyError, match=r"Give one such as 127\.0\.0\.1"):
        Proxies((named,))


def test_a_line_of_the_log_names_no_code_no_query_and_nobody(capfd: pytest.CaptureFixture[str]) -> None:
    with logged(has_requests=True):
        first = ask(_pages(), "/pair/secret-code?name=Ada", cookie="shimwise_session=token")
        ask(_pages(), "/preps/0f0f/papers/check-sheet.pdf")
        ask(_pages(), "/people/Ada")
        ask(_pages(), "/pair/1", host="evil.example")
    lines = capfd.readouterr().err.splitlines()
    told = [re.sub(r"^.* INFO \w+ | \d+ ms$", "", line) for line in lines if "INFO" in line]
    assert told == [
        "GET /pair/{code} 200",
        "GET /preps/{prep_id}/papers/{paper} 200",
        "GET - 404",
        "GET - 403",
    ]
    assert all(first.headers["x-request-id"] in line for line in lines[:2]), "its warning too"
    assert not re.search(r"secret|Ada|token|0f0f|evil", "\n".join(lines))


def test_without_being_asked_for_only_warnings_are_written(capfd: pytest.CaptureFixture[str]) -> None:
    with logged():
        answer = ask(_pages(), "/pair/1")
    (line,) = capfd.readouterr().err.splitlines()
    assert line.endswith(f"WARNING {answer.headers['x-request-id']} seen")


class Asked:
    """A record that is asked, and may be away or slow."""

    def __init__(self) -> None:
        self.count = 0
        self.error: Exception | None = None
        self.wait = threading.Event()
        self.wait.set()
        self.is_stopping = False

    def __call__(self) -> None:
        self.count += 1
        self.wait.wait(5)
        if self.error is not None:
            raise self.error

    def app(self) -> Health:
        return Health(_pages(), prove=self, is_stopping=lambda: self.is_stopping)


@pytest.mark.parametrize("host", ["bench.example", "10.1.2.3", "balancer.example"])
def test_health_is_told_under_any_name_and_says_only_whether_it_can_work(host: str) -> None:
    answer = ask(Asked().app(), "/healthz", host=host)
    assert answer.status_code == 200
    assert answer.json() == {"status": "ok", "record": "ok", "version": __version__}
    assert answer.headers["cache-control"] == "no-store"


def test_the_log_names_the_address_by_which_health_is_asked_for(capfd: pytest.CaptureFixture[str]) -> None:
    with logged(has_requests=True):
        ask(RequestIds(Asked().app()), "/healthz")
    (line,) = capfd.readouterr().err.splitlines()
    assert "GET /healthz 200" in line


@pytest.mark.parametrize(
    ("error", "code"), [(RecordAway("on /srv is away.", where="/srv"), "record_away"), (OSError(), "fault")]
)
def test_a_record_that_is_away_is_said_without_where_it_is(error: Exception, code: str) -> None:
    asked = Asked()
    asked.error = error
    answer = ask(asked.app(), "/healthz")
    assert (answer.status_code, answer.json()["record"]) == (503, code)
    assert "/srv" not in answer.text


def test_a_server_that_is_asked_to_stop_is_not_healthy() -> None:
    asked = Asked()
    asked.is_stopping = True
    answer = ask(asked.app(), "/healthz")
    assert (answer.status_code, answer.json()["record"], asked.count) == (503, "stopping", 0)


def test_many_who_ask_at_once_are_one_question_and_a_silent_record_is_told_in_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(health, "LONGEST_S", 0.2)
    monkeypatch.setattr(health, "FRESH_S", 60.0)
    asked = Asked()
    asked.wait.clear()
    app = asked.app()

    async def all_ask() -> list[Any]:
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://bench.example") as line:
            found = await asyncio.gather(*(line.get("/healthz") for _ in range(50)))
            asked.wait.set()
            await app._asked  # type: ignore[misc]
            return [*found, await line.get("/healthz")]

    began = time.monotonic()
    answers = asyncio.run(all_ask())
    assert time.monotonic() - began < 4, "before the record would have answered"
    assert {answer.json()["record"] for answer in answers[:-1]} == {"no_answer"}
    assert answers[-1].status_code == 200
    assert asked.count == 1
