"""Errors as pages: the error's own words, and where to go from there."""

from html import escape
from urllib.parse import quote, urlsplit

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from shimwise.bench.access.errors import SignInNeeded
from shimwise.errors import ShimwiseError
from shimwise.web.pages.view import Page, render
from shimwise.web.security import own_path

_SENTENCES = {
    401: "Sign in first.",
    403: "Your role does not allow that.",
    429: "That was tried too often.",
    404: "There is no such page here.",
    405: "That cannot be done at this address.",
    409: "It does not fit what is kept.",
    413: "That is too much to be taken.",
    422: "Something in that cannot be taken.",
    503: "The record cannot be reached now.",
}
_FAULT = "Something in Shimwise broke; what was saved before is kept."


def failure_page(request: Request, error: Exception, status: int) -> Response:
    """Render an error as a page, or as the part of a page that a script asked for."""
    sentence = _SENTENCES.get(status, _FAULT if status >= 500 else "That cannot be done.")
    words = _words(error, status)
    if "HX-Request" in request.headers:
        return HTMLResponse(
            f'<p class="wrong" role="alert">{escape(words or sentence)}</p>', status_code=status
        )
    if isinstance(error, SignInNeeded):
        return RedirectResponse(f"/sign-in?next={quote(_page_of(request))}", status_code=303)
    return render(request, "error.html", Page(sentence=sentence, second=words), status=status)


def _page_of(request: Request) -> str:
    """Return the page on which something was done."""
    came_from = urlsplit(request.headers.get("referer", ""))
    return own_path(came_from.path or "/")


def _words(error: Exception, status: int) -> str:
    if isinstance(error, ShimwiseError):
        return str(error)
    if isinstance(error, RequestValidationError):
        return "The address holds something that is not understood. Go back and try again."
    if isinstance(error, HTTPException):
        return "Look it up from the preps, bodies, lenses or sets." if status == 404 else ""
    return "Try again; if it comes back, tell the one who runs Shimwise what you did."
