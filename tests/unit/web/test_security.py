"""What is refused before any page is reached, as a browser or a program would ask for it."""

import re
from collections.abc import Iterator

import pytest
from asgi_client import AsgiClient
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from shimwise.bench.this_machine import is_this_machine
from shimwise.web.security import SizeLimits, guarded

AT = "http://127.0.0.1:8052"
SWEEPS = SizeLimits(small_bytes=1000, large=((re.compile(r"/sweeps$"), 5000),))


async def _said(request: Request) -> Response:
    body = await request.body()
    return JSONResponse({"method": request.method, "bytes": len(body)})


async def _own_policy(_: Request) -> Response:
    return PlainTextResponse("x", headers={"content-security-policy": "sandbox"})


@pytest.fixture
def client() -> AsgiClient:
    routes = [
        Route("/own", _own_policy),
        Route("/{path:path}", _said, methods=["GET", "POST", "PUT", "DELETE"]),
    ]
    return AsgiClient(guarded(Starlette(routes=routes), limits=SWEEPS), at=AT)


@pytest.mark.parametrize("host", ["127.0.0.1:8052", "localhost:8052", "LocalHost", "[::1]:8052"])
def test_the_pages_answer_to_the_names_of_this_machine(client: AsgiClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8052", "127.0.0.1.evil.example", "192.0.2.7", "127.0.0.1@evil.example",
     "localhost/x", "localhost, evil.example", "localhost:port", "[::1", "", "localhost.:8052"],
)  # fmt: skip
def test_a_name_bent_to_this_machine_is_refused(client: AsgiClient, host: str) -> None:
    answer = client.get("/preps/1", headers={"host": host})
    assert answer.status_code == 403
    assert "do not answer to the name" in answer.text


def test_the_address_by_which_a_request_came_in_is_answered() -> None:
    app = guarded(Starlette(routes=[Route("/", _said)]), names=["bench.example"])
    client = AsgiClient(app, at="http://192.0.2.10:8052")
    assert client.get("/").status_code == 200
    assert client.get("/", headers={"host": "192.0.2.11:8052"}).status_code == 403
    assert client.get("/", headers={"host": "bench.example:8052"}).status_code == 200


FORGED = [
    {"origin": "https://evil.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:9999"},
    {"origin": "https://127.0.0.1:8052"},
    {"sec-fetch-site": "cross-site", "origin": AT},
    {"sec-fetch-site": "same-site"},
    {"sec-fetch-site": "same-origin", "origin": "https://evil.example"},
    {},
]


@pytest.mark.parametrize("headers", FORGED)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_a_change_that_another_page_sends_is_refused(
    client: AsgiClient, headers: dict[str, str], method: str
) -> None:
    answer = client.ask(method, "/preps", headers=headers)
    assert answer.status_code == 403
    assert answer.headers["content-type"].startswith("text/html")
    assert "sent by another page" in answer.text


@pytest.mark.parametrize("headers", [h for h in FORGED if h])
def test_a_change_that_another_page_sends_to_the_interface_is_refused(
    client: AsgiClient, headers: dict[str, str]
) -> None:
    answer = client.post("/api/v1/preps", headers=headers)
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"
    assert set(answer.json()) == {"type", "title", "status", "detail", "instance", "places", "notices"}


@pytest.mark.parametrize(
    "headers", [{"origin": AT}, {"sec-fetch-site": "same-origin", "origin": AT}, {"sec-fetch-site": "none"}]
)
def test_a_change_from_the_pages_themselves_is_taken(client: AsgiClient, headers: dict[str, str]) -> None:
    assert client.post("/preps", headers=headers).status_code == 200


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/preps/%00", 404),
        ("/api/v1/preps/%00", 404),
        ("/preps?search=a%00b", 400),
        ("/api/v1/bodies?search=%00", 400),
        ("/preps?search=%2500", 200),
    ],
)
def test_an_address_with_a_character_of_no_text_is_refused(
    client: AsgiClient, path: str, status: int
) -> None:
    assert client.get(path).status_code == status
    if status == 200:
        return
    assert client.post(path).status_code == status  # before anything is looked up
    assert "U+0000" in client.get(path).text


def test_a_program_may_change_things_through_the_interface(client: AsgiClient) -> None:
    assert client.ask("POST", "/api/v1/preps", json={}).status_code == 200


def test_another_page_may_link_here_but_not_read_what_is_here(client: AsgiClient) -> None:
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert client.get("/preps/1", headers=link).status_code == 200
    script = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert client.get("/api/v1/preps", headers=script).status_code == 403


@pytest.mark.parametrize("path", ["/", "/api/v1/preps", "/static/x.js"])
@pytest.mark.parametrize("host", ["127.0.0.1", "evil.example"])
def test_every_answer_keeps_the_browser_strict(client: AsgiClient, path: str, host: str) -> None:
    headers = client.get(path, headers={"host": host}).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == policy["object-src"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["referrer-policy"] == "same-origin"
    assert "cache-control" in headers


def test_an_answer_with_a_policy_of_its_own_keeps_it(client: AsgiClient) -> None:
    assert client.get("/own").headers.get_list("content-security-policy") == ["sandbox"]


def _pieces(count: int, size: int) -> Iterator[bytes]:
    for _ in range(count):
        yield b"x" * size


@pytest.mark.parametrize(
    ("path", "count", "status"),
    [("/api/v1/a", 9, 200), ("/api/v1/a", 12, 413), ("/api/v1/sweeps", 12, 200), ("/api/v1/sweeps", 51, 413)],
)
def test_a_body_is_limited_however_its_length_is_told(
    client: AsgiClient, path: str, count: int, status: int
) -> None:
    told = client.post(path, content=b"x" * 100 * count)
    streamed = client.post(path, content=_pieces(count, 100))
    assert "content-length" not in streamed.request.headers
    assert (told.status_code, streamed.status_code) == (status, status)
    if status == 413:
        assert told.json()["detail"] == streamed.json()["detail"]
        assert "Nothing was kept" in told.json()["detail"]


def test_a_length_that_is_no_number_is_refused(client: AsgiClient) -> None:
    assert client.post("/api/v1/a", headers={"content-length": "-5"}).status_code == 413


@pytest.mark.parametrize(
    ("host", "answer"),
    [("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False),
     ("::", False), ("192.0.2.1", False), ("bench.example", False)],
)  # fmt: skip
def test_only_this_machine_is_loopback(host: str, answer: bool) -> None:
    assert is_this_machine(host) is answer
