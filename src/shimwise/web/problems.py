"""Errors in one shape, RFC 9457: ``application/problem+json`` with type, title, status, detail and instance.

References
----------
.. [1] RFC 9457, *Problem Details for HTTP APIs* (2023): members in section 3.1, extensions in 3.2.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from shimwise.bench.errors import Conflict, InputError, NotFound, StoreError
from shimwise.errors import ShimwiseError
from shimwise.extras import MissingExtraError

__all__ = [
    "KINDS",
    "MEDIA_TYPE",
    "Kind",
    "Place",
    "Problem",
    "add_problems",
    "documented",
    "problem_response",
]

MEDIA_TYPE = "application/problem+json"
API = "/api/"
KINDS_AT = "/api/v1/problems"
RETRY_S = 1
MOST_PLACES = 20
SHOWN = 200
_NOT_PARSED = "There was an error parsing the body"


class Place(BaseModel):
    """One thing in the request that is wrong: where it stands, what was found, and why it is not taken."""

    model_config = ConfigDict(extra="forbid")

    field: str = Field(examples=["reading_text"])
    found: str = Field(examples=["2' 11 7/4\""])
    reason: str = Field(examples=["the fraction 7/4 is not between 0 and 1"])


class Problem(BaseModel):
    """What went wrong, in words for people, and for programs the ``type`` and the ``places``."""

    model_config = ConfigDict(extra="forbid")

    type: str = Field(
        description="Kind of the problem; told at that address.", examples=[f"{KINDS_AT}#input"]
    )
    title: str = Field(examples=["Something in the request cannot be taken"])
    status: int = Field(ge=400, le=599, examples=[422])
    detail: str = Field(examples=["[2' 11 7/4\"] is no length at character 7: …"])
    instance: str = Field(examples=["/api/v1/preps/…/readings"])
    places: list[Place] = Field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of problem: its name in the ``type``, its status, and what it means."""

    name: str
    status: int
    title: str
    meaning: str


KINDS = {
    kind.name: kind
    for kind in (
        Kind("not-found", 404, "There is no such thing", "The id or the address is not known here."),
        Kind("method", 405, "This is not done at this address", "The address exists, the method does not."),
        Kind(
            "conflict",
            409,
            "It does not fit what is kept",
            "The same id with other content, a name that is taken, or a prep that is closed or signed.",
        ),
        Kind("too-large", 413, "Too much was sent", "The body is larger than this address takes."),
        Kind("media-type", 415, "Sent in a form that is not read here", "See the address's content types."),
        Kind("input", 422, "Something in the request cannot be taken", "The places say what and why."),
        Kind("refused", 403, "This is not allowed from there", "Host, origin or pairing was refused."),
        Kind("not-paired", 401, "This device is not paired", "Pair it, or log in with the passphrase."),
        Kind("too-many", 429, "Too many tries", "Wait as long as Retry-After says."),
        Kind("unavailable", 503, "The record cannot be reached now", "Nothing was changed. Try again."),
        Kind(
            "fault", 500, "A fault of the program", "Nothing is known to be lost. Tell the one who runs it."
        ),
        Kind("other", 400, "The request cannot be read", "Its body is cut off, or not what it says."),
    )
}
_BY_STATUS = {kind.status: kind for kind in KINDS.values()}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Describe errors for OpenAPI: each status with the shape that all problems have."""
    return {
        status: {
            "description": f"{_BY_STATUS[status].title}. {_BY_STATUS[status].meaning}",
            "content": {
                MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "example": _example(status)}
            },
        }
        for status in statuses
    }


def problem_response(
    request: Request,
    status: int,
    detail: str,
    *,
    places: Sequence[Place] = (),
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    """Give a problem as the response to a request."""
    kind = _BY_STATUS.get(status, KINDS["other"])
    problem = Problem(
        type=f"{KINDS_AT}#{kind.name}",
        title=kind.title if kind.status == status else _phrase(status),
        status=status,
        detail=detail,
        instance=request.url.path,
        places=list(places),
    )
    return JSONResponse(
        problem.model_dump(), status_code=status, media_type=MEDIA_TYPE, headers=dict(headers or {})
    )


def add_problems(app: FastAPI) -> None:
    """Have an app answer every error under ``/api/`` as a problem; pages add their own beside it."""
    app.add_exception_handler(ShimwiseError, _refused)
    app.add_exception_handler(RequestValidationError, _not_valid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _fault)


def status_of(error: ShimwiseError) -> int:
    """Give the status that an error of the bench is told with."""
    if isinstance(error, NotFound):
        return 404
    if isinstance(error, Conflict):
        return 409
    if isinstance(error, MissingExtraError):
        return 501
    if isinstance(error, StoreError):
        return 503
    return 422


async def _refused(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, ShimwiseError):  # registered for these alone
        raise error
    status = status_of(error)
    places = []
    if isinstance(error, InputError):
        places = [
            Place(field=one.field, found=one.typed[:SHOWN], reason=one.reason)
            for one in (error, *error.others)
        ]
    headers = {"Retry-After": str(RETRY_S)} if status == 503 else None
    return problem_response(request, status, str(error), places=places, headers=headers)


async def _not_valid(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, RequestValidationError):
        raise error
    places = [_place(one) for one in error.errors()[:MOST_PLACES]]
    detail = "; ".join(f"{place.field}: {place.reason}" for place in places)
    return problem_response(request, 422, f"{detail}. Correct that and send it again.", places=places)


async def _http(request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, HTTPException):
        raise error
    detail = str(error.detail)
    if detail in (_phrase(error.status_code), _NOT_PARSED):  # the framework's own
        kind = _BY_STATUS.get(error.status_code, KINDS["other"])
        detail = f"{kind.title}: {request.method} {request.url.path}. {kind.meaning}"
    return problem_response(request, error.status_code, detail, headers=error.headers)


async def _fault(request: Request, error: Exception) -> JSONResponse:
    del error  # the server logs it
    return problem_response(request, 500, KINDS["fault"].meaning)


def _place(error: Mapping[str, Any]) -> Place:
    """Say of one error of the request's shape where it stands: ``body.readings.0.id``."""
    where = [str(part) for part in error["loc"] if part not in ("body", "query", "path", "header")]
    context: Mapping[str, Any] = error.get("ctx") or {}
    if error["type"] == "json_invalid":
        return Place(
            field="body",
            found="",
            reason=f"is no JSON: {context.get('error', 'it breaks off')} at character {where[-1]}",
        )
    reason = error["msg"]
    if error["type"] == "string_pattern_mismatch":
        reason = _pattern_words(context.get("pattern", "")) or reason
    return Place(
        field=".".join(where) or str(error["loc"][0]),
        found=_shown(error.get("input", "")),
        reason=_shown(reason),
    )


def _pattern_words(pattern: str) -> str:
    """Say what a text's pattern asks for; nothing of one that is not known."""
    from shimwise.web.api.kinds import ID_PATTERN, PLAIN

    words = {
        ID_PATTERN: "is no id; one has 32 hexadecimal digits in small letters",
        PLAIN: "holds control characters; leave them out",
    }
    return words.get(pattern, "")


def _shown(value: object) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text[:SHOWN].encode("utf-8", "replace").decode("utf-8")


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return f"Status {status}"


def _example(status: int) -> dict[str, Any]:
    kind = _BY_STATUS[status]
    return {
        "type": f"{KINDS_AT}#{kind.name}",
        "title": kind.title,
        "status": status,
        "detail": kind.meaning,
        "instance": "/api/v1/preps",
        "places": [],
    }
