"""What a page says when something went wrong: the error's own words, and where to go from there."""

from collections.abc import Awaitable, Callable
from html import escape

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from shimwise.errors import ShimwiseError
from shimwise.web.pages.view import Page, render
from shimwise.web.problems import status_of
from shimwise.web.refusal import PROGRAM_PATHS

__all__ = ["add_failures"]

_Handler = Callable[[Request, Exception], Response | Awaitable[Response]]
_SENTENCES = {
    404: "There is no such page here.",
    405: "That cannot be done at this address.",
    409: "It does not fit what is kept.",
    413: "That is too much to be taken.",
    422: "Something in that cannot be taken.",
    503: "The record cannot be reached now.",
}
_FAULT = "Something in Shimwise broke; what was saved before is kept."


def add_failures(app: FastAPI) -> None:
    """Answer errors of pages as pages; what programs asked keeps the answer that it has."""
    told: dict[type[Exception], Callable[[Request, Exception], Response]] = {
        ShimwiseError: _refused,
        RequestValidationError: _not_valid,
        HTTPException: _http,
        Exception: _fault,
    }
    for kind, handler in told.items():
        known = app.exception_handlers.get(kind)
        app.add_exception_handler(kind, _either(handler, known))


def _either(ours: Callable[[Request, Exception], Response], other: _Handler | None) -> _Handler:
    async def answer(request: Request, error: Exception) -> Response:
        if other is not None and request.url.path.startswith(PROGRAM_PATHS):
            found = other(request, error)
            return await found if isinstance(found, Awaitable) else found
        return ours(request, error)

    return answer


def _refused(request: Request, error: Exception) -> Response:
    if not isinstance(error, ShimwiseError):
        raise error
    return _page(request, status_of(error), str(error))


def _not_valid(request: Request, error: Exception) -> Response:
    del error
    return _page(request, 422, "The address holds something that is not understood. Go back and try again.")


def _http(request: Request, error: Exception) -> Response:
    if not isinstance(error, HTTPException):
        raise error
    words = "Look it up from the preps, bodies, lenses or sets." if error.status_code == 404 else ""
    return _page(request, error.status_code, words)


def _fault(request: Request, error: Exception) -> Response:
    del error  # the server logs it
    return _page(request, 500, "Try again; if it comes back, tell the one who runs Shimwise what you did.")


def _page(request: Request, status: int, words: str) -> Response:
    sentence = _SENTENCES.get(status, _FAULT if status >= 500 else "That cannot be done.")
    if "HX-Request" in request.headers:
        return HTMLResponse(
            f'<p class="wrong" role="alert">{escape(words or sentence)}</p>', status_code=status
        )
    page = Page(sentence=sentence, second=words)
    return render(request, "error.html", page, status=status)
