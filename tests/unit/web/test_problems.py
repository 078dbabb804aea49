"""Errors as problems of RFC 9457: one shape for all, in words for a person, and little of what was sent."""

from typing import Annotated, Any

import pytest
from asgi_client import AsgiClient
from fastapi import FastAPI
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from shimwise.bench.errors import Conflict, InputError, NotFound, StoreError
from shimwise.errors import ShimwiseError
from shimwise.extras import MissingExtraError
from shimwise.web.api.kinds import ID_PATTERN
from shimwise.web.problems import KINDS, MEDIA_TYPE, MOST_PLACES, SHOWN, add_problems, documented

AT = "http://127.0.0.1:8052"
TWO = InputError("is empty. Type it.", field="who")
TWO.others = (InputError("is no length", field="reading_text", typed="x" * 1000),)
RAISED: dict[str, Exception] = {
    "missing": NotFound("prep", "0f"),
    "taken": Conflict("The name is taken.", kind="body", id="0f"),
    "wrong": TWO,
    "away": StoreError("The record cannot be reached.", where="bench"),
    "science": ShimwiseError("There is nothing to judge."),
    "extra": MissingExtraError("frames", "Measuring a sweep"),
    "teapot": HTTPException(418),
    "worded": HTTPException(413, "The body has more than 2 MB."),
}


class Sent(BaseModel):
    id: Annotated[str, Field(pattern=ID_PATTERN)]
    counts: list[int] = Field(default_factory=list)


def raising(name: str) -> None:
    raise RAISED[name]


def taking(sent: Sent) -> None:
    del sent


@pytest.fixture
def client() -> AsgiClient:
    app = FastAPI()
    add_problems(app)
    app.get("/api/v1/raise/{name}")(raising)
    app.post("/api/v1/take")(taking)
    return AsgiClient(app, at=AT)


def problem(client: AsgiClient, name: str, status: int) -> dict[str, Any]:
    answer = client.get(f"/api/v1/raise/{name}")
    assert (answer.status_code, answer.headers["content-type"]) == (status, MEDIA_TYPE)
    found: dict[str, Any] = answer.json()
    assert list(found) == ["type", "title", "status", "detail", "instance", "places", "notices"]
    assert (found["status"], found["instance"]) == (status, f"/api/v1/raise/{name}")
    return found


@pytest.mark.parametrize(
    ("name", "status", "kind"),
    [
        ("missing", 404, "not-found"),
        ("taken", 409, "conflict"),
        ("wrong", 422, "input"),
        ("science", 422, "input"),
        ("away", 503, "unavailable"),
        ("worded", 413, "too-large"),
    ],
)
def test_each_error_has_its_status_and_its_kind(
    client: AsgiClient, name: str, status: int, kind: str
) -> None:
    found = problem(client, name, status)
    assert found["type"] == f"/api/v1/problems#{kind}"
    assert found["title"] == KINDS[kind].title


def test_everything_wrong_with_a_request_has_a_place_and_long_input_is_cut(client: AsgiClient) -> None:
    first, second = problem(client, "wrong", 422)["places"]
    assert first == {"field": "who", "found": "", "reason": "is empty. Type it."}
    assert (second["field"], second["found"]) == ("reading_text", "x" * SHOWN)


def test_a_record_that_is_away_says_when_to_try_again(client: AsgiClient) -> None:
    assert client.get("/api/v1/raise/away").headers["retry-after"] == "1"
    assert "retry-after" not in client.get("/api/v1/raise/taken").headers


def test_a_missing_extra_is_named_with_what_to_install(client: AsgiClient) -> None:
    assert "pip install 'shimwise[frames]'" in problem(client, "extra", 501)["detail"]


def test_a_status_of_no_kind_has_its_own_title_and_words_are_kept(client: AsgiClient) -> None:
    found = problem(client, "teapot", 418)
    assert (found["title"], found["type"]) == ("I'm a Teapot", "/api/v1/problems#other")
    assert problem(client, "worded", 413)["detail"] == "The body has more than 2 MB."


def test_an_address_that_is_not_there_is_named(client: AsgiClient) -> None:
    found = client.get("/api/v1/nothing").json()
    assert "GET /api/v1/nothing" in found["detail"]
    assert client.get("/api/v1/take").json()["type"].endswith("#method")


@pytest.mark.parametrize(
    ("content", "field", "words"),
    [
        (b'{"id": ', "body", "is no JSON: "),
        (b"{}", "id", "Field required"),
        (b'{"id": "A"}', "id", "is no id; one has 32 hexadecimal digits in small letters"),
        (b'{"id": "%s", "counts": [1, "x"]}' % (b"0" * 32), "counts.1", "valid integer"),
    ],
)
def test_what_is_wrong_with_a_body_is_said_where_it_is(
    client: AsgiClient, content: bytes, field: str, words: str
) -> None:
    answer = client.post("/api/v1/take", content=content, headers={"content-type": "application/json"})
    assert answer.status_code == 422
    (place,) = answer.json()["places"]
    assert place["field"] == field
    assert words in place["reason"]


def test_of_very_many_mistakes_the_first_are_listed(client: AsgiClient) -> None:
    answer = client.post("/api/v1/take", json={"id": "0" * 32, "counts": ["x"] * 500})
    assert len(answer.json()["places"]) == MOST_PLACES


def test_a_lone_surrogate_that_was_sent_is_shown_and_breaks_nothing(client: AsgiClient) -> None:
    answer = client.post(
        "/api/v1/take", content=b'{"id": "\\ud8f0"}', headers={"content-type": "application/json"}
    )
    assert answer.status_code == 422
    assert answer.json()["places"][0]["found"] == "?"


def test_every_documented_status_has_an_example_of_its_own_shape() -> None:
    for status, described in documented(401, 404, 409, 422, 503).items():
        ((media, content),) = described["content"].items()
        assert media == MEDIA_TYPE
        assert content["example"]["status"] == status
        assert content["example"]["title"] in described["description"]
