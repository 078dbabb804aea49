"""Errors in one shape, RFC 9457: ``application/problem+json`` with type, title, status, detail and instance.

References
----------
.. [1] RFC 9457, *Problem Details for HTTP APIs* (2023): members in section 3.1, extensions in 3.2.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from http import HTTPStatus
from types import NoneType
from typing import Annotated, Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from shimwise.bench.access.errors import (
    NotAllowed,
    PersonNeeded,
    PinNeeded,
    PinWrong,
    SignInNeeded,
    TooManyTries,
)
from shimwise.bench.errors import Conflict, InputError, NotFound, StoreError
from shimwise.bench.workers import WorkersBusy
from shimwise.errors import ShimwiseError
from shimwise.extras import MissingExtraError
from shimwise.notices import WordedNotice

MEDIA_TYPE = "application/problem+json"
PROGRAM_PATHS = ("/api/", "/live/")
"""Below these an error is ``application/problem+json``, elsewhere a page."""
FailurePage = Callable[[Request, Exception, int], Response]
KINDS_AT = "/api/v1/problems"
RETRY_S = 1
MOST_PLACES = 20
SHOWN = 200
PRIVATE = frozenset({"where", "reason"})
"""What an error carries and no device is shown: the record's place. The reason is in the sentence."""
_NOT_PARSED = "There was an error parsing the body"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One thing in the request that is wrong: where it is, what was found, and why it is not taken."""

    field: Annotated[str, Field(examples=["reading_text"])]
    found: Annotated[str, Field(examples=["2' 11 7/4\""])]
    reason: Annotated[str, Field(examples=["the fraction 7/4 is not between 0 and 1"])]


class Problem(BaseModel):
    """What went wrong, in words for people; for programs the ``type``, the ``places`` and the ``notices``."""

    model_config = ConfigDict(extra="forbid")

    type: str = Field(
        description="Kind of the problem, explained at that address.", examples=[f"{KINDS_AT}#input"]
    )
    title: str = Field(examples=["Something in the request cannot be taken"])
    status: int = Field(ge=400, le=599, examples=[422])
    detail: str = Field(examples=["[2' 11 7/4\"] is no length at character 7: …"])
    instance: str = Field(examples=["/api/v1/preps/…/readings"])
    places: list[Place] = Field(default_factory=list)
    notices: list[WordedNotice] = Field(
        default_factory=list, description="What happened, for programs: codes that stay, with their numbers."
    )


@dataclass(frozen=True, slots=True)
class ProblemKind:
    """A kind of problem: its name in the ``type``, its status, and what it means."""

    name: str
    status: int
    title: str
    meaning: str

    @property
    def code(self) -> str:
        """Its name as the code of a notice."""
        return self.name.replace("-", "_")


KINDS = {
    kind.name: kind
    for kind in (
        ProblemKind("not-found", 404, "There is no such thing", "The id or the address is not known here."),
        ProblemKind(
            "method", 405, "This is not done at this address", "The address exists, the method does not."
        ),
        ProblemKind(
            "conflict",
            409,
            "It does not fit what is kept",
            "The same id with other content, a name that is taken, or a prep that is closed or signed.",
        ),
        ProblemKind("too-large", 413, "Too much was sent", "The body is larger than this address takes."),
        ProblemKind(
            "media-type", 415, "Sent in a form that is not read here", "See the address's content types."
        ),
        ProblemKind("input", 422, "Something in the request cannot be taken", "The places say what and why."),
        ProblemKind(
            "refused", 403, "This is not allowed from there", "Host, origin, pairing or role was refused."
        ),
        ProblemKind(
            "not-paired",
            401,
            "This device is not paired, or nobody is signed in",
            "Pair it with the passphrase; sign in with a PIN, once more where it was idle.",
        ),
        ProblemKind("too-many", 429, "Too many tries", "Wait as long as Retry-After says."),
        ProblemKind("not-installed", 501, "A library is not installed", "The detail names the extra to add."),
        ProblemKind(
            "unavailable", 503, "The record cannot be reached now", "Nothing was changed. Try again."
        ),
        ProblemKind(
            "fault", 500, "A fault of the program", "Nothing is known to be lost. Tell the one who runs it."
        ),
        ProblemKind("other", 400, "The request cannot be read", "Its body is cut off, or not what it says."),
    )
}
_BY_STATUS = {kind.status: kind for kind in KINDS.values()}


def kind_of(status: int) -> ProblemKind:
    """Return the kind of problem that a status is answered with."""
    return _BY_STATUS.get(status, KINDS["other"])


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI description of errors: each status with the shape that all problems have."""
    return {
        status: {
            "description": f"{_BY_STATUS[status].title}. {_BY_STATUS[status].meaning}",
            "content": {
                MEDIA_TYPE: {
                    "schema": {"$ref": "#/components/schemas/Problem"},
                    "example": problem_of(status, _BY_STATUS[status].meaning, instance="/api/v1/preps"),
                }
            },
        }
        for status in statuses
    }


def problem_of(
    status: int,
    detail: str,
    *,
    instance: str,
    title: str = "",
    places: Sequence[Place] = (),
    notices: Sequence[WordedNotice] = (),
) -> dict[str, Any]:
    """Return a problem as JSON; without a ``title`` that of its kind."""
    kind = kind_of(status)
    return {
        "type": f"{KINDS_AT}#{kind.name}",
        "title": title or (kind.title if kind.status == status else _phrase(status)),
        "status": status,
        "detail": detail,
        "instance": instance,
        "places": [asdict(place) for place in places],
        "notices": [asdict(notice) for notice in notices],
    }


def add_problems(app: FastAPI, *, page: FailurePage | None = None) -> None:
    """Answer every error of an app as a problem; an error of a page as ``page`` does, where one is given."""

    async def answer(request: Request, error: Exception) -> Response:
        status = status_of(error)
        if page is not None and not request.url.path.startswith(PROGRAM_PATHS):
            return page(request, error, status)
        detail, places, notices = _described(request, error, status)
        headers = {"Retry-After": str(RETRY_S)} if status == 503 else None
        if isinstance(error, TooManyTries):
            headers = {"Retry-After": str(math.ceil(error.wait_s))}
        return JSONResponse(
            problem_of(status, detail, instance=request.url.path, places=places, notices=notices),
            status_code=status,
            media_type=MEDIA_TYPE,
            headers=error.headers if isinstance(error, HTTPException) else headers,
        )

    for kind in (ShimwiseError, RequestValidationError, HTTPException, Exception):
        app.add_exception_handler(kind, answer)


def status_of(error: Exception) -> int:
    """Return the status that an error is answered with."""
    if isinstance(error, HTTPException):
        return error.status_code
    return next((status for kind, status in _STATUSES.items() if isinstance(error, kind)), 500)


_STATUSES: Mapping[type[Exception], int] = {
    NotFound: 404,
    SignInNeeded: 401,
    PinNeeded: 401,
    NotAllowed: 403,
    PersonNeeded: 403,
    PinWrong: 403,
    TooManyTries: 429,
    Conflict: 409,
    MissingExtraError: 501,
    StoreError: 503,
    WorkersBusy: 503,
    ShimwiseError: 422,
    RequestValidationError: 422,
}
"""Status by kind of error; the first that fits."""


def _described(
    request: Request, error: Exception, status: int
) -> tuple[str, list[Place], list[WordedNotice]]:
    """Return the detail of an error, its places and its notices."""
    if isinstance(error, RequestValidationError):
        errors = error.errors()[:MOST_PLACES]
        places = [_place(one) for one in errors]
        texts = [f"{place.field}: {place.reason}" for place in places]
        notices = [
            WordedNotice(
                code=one["type"], numbers={"field": place.field, **_plain(one.get("ctx", {}))}, text=text
            )
            for one, place, text in zip(errors, places, texts, strict=True)
        ]
        return f"{'; '.join(texts)}. Correct that and send it again.", places, notices
    if isinstance(error, InputError):
        all_of_it = (error, *error.others)
        places = [Place(field=one.field, found=one.typed[:SHOWN], reason=one.reason) for one in all_of_it]
        return str(error), places, [notice_of(one) for one in all_of_it]
    if isinstance(error, ShimwiseError):
        return str(error), [], [notice_of(error)]
    kind = kind_of(status)
    if not isinstance(error, HTTPException):  # the server logs it
        return kind.meaning, [], []
    detail = str(error.detail)
    if detail in (_phrase(status), _NOT_PARSED):  # the framework's own
        detail = f"{kind.title}: {request.method} {request.url.path}. {kind.meaning}"
    return detail, [], []


def notice_of(error: ShimwiseError) -> WordedNotice:
    """Return an error as a notice: its code that of its class, its numbers what it carries."""
    carried = {name: value for name, value in vars(error).items() if name not in PRIVATE}
    return WordedNotice(
        code=error.code,
        unit=str(carried.pop("unit", "")),
        numbers=_plain(carried),
        text=str(error),
    )


def _plain(values: Mapping[str, Any]) -> dict[str, float | str | None]:
    """Return the values that are texts and finite numbers: JSON has no others."""
    return {
        name: _shown(value) if isinstance(value, str) else value
        for name, value in values.items()
        if isinstance(value, (str, NoneType)) or (isinstance(value, (float, int)) and math.isfinite(value))
    }


def _place(error: Mapping[str, Any]) -> Place:
    """Return the place of one error of the request's shape: ``readings.0.id``."""
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
    """Return in words what a text's pattern requires; empty for an unknown one."""
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
