"""Endpoints that return views answer with the JSON of their models."""

from dataclasses import dataclass

import pytest
from asgi_client import AsgiClient
from fastapi import FastAPI
from fastapi.routing import APIRoute

from shimwise.web.api.answers import AnswerRouter


@dataclass(frozen=True, slots=True)
class Told:
    """An invented view."""

    name: str


def told() -> Told:
    """Return the view."""
    return Told("body A-12")


@pytest.mark.parametrize("times", [1, 2], ids=["added once", "added anew by a router that includes it"])
def test_a_view_is_answered_once_however_often_its_endpoint_is_added(times: int) -> None:
    endpoint = told
    for _ in range(times):
        router = AnswerRouter()
        router.add_api_route("/told", endpoint)
        (route,) = (one for one in router.routes if isinstance(one, APIRoute))
        endpoint = route.endpoint
    app = FastAPI()
    app.include_router(router)
    answer = AsgiClient(app, at="http://127.0.0.1").get("/told")
    assert (answer.status_code, answer.text) == (200, '{"name":"body A-12"}')
