"""Dependencies of the interface's endpoints: the record, the judge, and bodies of the right content type."""

from collections.abc import Awaitable, Callable, Mapping
from typing import Annotated, Any, TypeVar

from fastapi import Depends, HTTPException, Query, Request, Response
from pydantic import BaseModel

from shimwise.bench.access.acting import Actor, Door, Who
from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.web.acting import actor_of
from shimwise.web.api.kinds import PLAIN
from shimwise.web.problems import documented

Answer = TypeVar("Answer")
JSON, CSV = "application/json", "text/csv"
_WITH_BODY = ("POST", "PUT", "PATCH", "DELETE")


async def _record(request: Request) -> Record:  # async: not worth a turn of a thread
    record: Record = request.app.state.record
    return record


class Call:
    """A request of the interface: the record, who acts, and what is to be judged after it."""

    def __init__(self, request: Request) -> None:
        self.request = request
        self.record: Record = request.app.state.record
        self.sweeps: SweepJobs = request.app.state.sweeps
        self._judge: JudgeService | None = request.app.state.judge  # None: verdicts are made on request

    @property
    def actor(self) -> Actor | None:
        """Who is signed in, or the program; None in a house without a keeper, which believes names."""
        return actor_of(self.request, Door.INTERFACE)  # looked up here, in the thread of the endpoint

    def who(self, name: str) -> Who:
        """Return who acts, where a request names ``name``."""
        return name if self.actor is None else self.actor

    def sent(self, body: BaseModel) -> dict[str, Any]:
        """Return the fields of a request's body, with who acts as ``who``."""
        values = dict(body)
        return {**values, "who": self.who(values["who"])}

    def judge_soon(self, prep_id: str, answer: Answer, *, is_needed: bool = True) -> Answer:
        """Have a prep judged soon if that is needed, and return the answer."""
        if is_needed and self._judge is not None:
            self._judge.ask(prep_id)
        return answer

    def learn_soon(self, answer: Answer) -> Answer:
        """Let the house learn once the signature is answered, and return the answer."""
        if self._judge is not None:
            self._judge.learn()
        return answer


async def _call(request: Request) -> Call:
    return Call(request)


RecordDep = Annotated[Record, Depends(_record)]
CallDep = Annotated[Call, Depends(_call)]
WhoQuery = Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])]


def required_type(kind: str) -> Callable[[Request], Awaitable[None]]:
    """Return a dependency that refuses a body of another content type."""

    async def check(request: Request) -> None:
        if request.method in _WITH_BODY:
            sent = request.headers.get("content-type", "").split(";")[0].strip().lower()
            if sent != kind:
                found = sent[:80] or "nothing that says so"
                raise HTTPException(415, f"This address takes {kind}; sent was {found}.")

    return check


WRITES: Mapping[str, Any] = {
    "dependencies": [Depends(required_type(JSON))],
    "responses": documented(400, 401, 403, 404, 409, 413, 415),
}
"""Options of an endpoint that takes JSON and changes the record. A form of another site cannot send JSON."""


def body_of(kind: str) -> Callable[[Request], Awaitable[bytes]]:
    """Return a dependency that reads a body of a content type."""
    check = required_type(kind)

    async def read(request: Request) -> bytes:
        await check(request)
        return await request.body()

    return read


def file_request(kind: str, *statuses: int, description: str = "") -> dict[str, Any]:
    """Return the options of an endpoint that takes a file, or answers with one of these statuses too."""
    body = {"requestBody": {"required": True, "content": _file_content(kind, description)}}
    return {"openapi_extra": body, "responses": documented(400, 401, 403, 409, 413, 415, *statuses)}


def file_response(kind: str, description: str, *statuses: int) -> dict[str, Any]:
    """Return the options of an endpoint that answers with a file, or with one of these error statuses."""
    found = {"content": _file_content(kind), "description": description}
    return {"response_class": Response, "responses": {200: found, **documented(*statuses)}}


def _file_content(kind: str, description: str = "") -> dict[str, Any]:
    schema = {"type": "object" if kind == JSON else "string"}
    return {kind: {"schema": schema | ({"description": description} if description else {})}}
