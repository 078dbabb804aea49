"""Refusals before any page is reached: RFC 9457 for programs, a plain page for people."""

from collections.abc import Mapping
from html import escape
from typing import TYPE_CHECKING

from starlette.requests import empty_receive
from starlette.responses import HTMLResponse, JSONResponse, Response

from shimwise.notices import WordedNotice
from shimwise.web.problems import MEDIA_TYPE, PROGRAM_PATHS, kind_of, problem_of

if TYPE_CHECKING:
    from starlette.types import Scope, Send

_PAGE = """<!doctype html>
<html lang="en" data-theme="{theme}"><head><meta charset="utf-8"><title>{title} · Shimwise</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/static/pages.css"></head>
<body><main id="main" class="door"><h1>{title}</h1>
{body}
</main></body></html>
"""


def header(scope: "Scope", name: str) -> str | None:
    """Return a request's header, or None; of one that is there twice both, joined by a comma."""
    wanted = name.lower().encode("latin-1")
    found = [value.decode("latin-1") for key, value in scope["headers"] if key == wanted]
    return ", ".join(found) if found else None


def wants_json(scope: "Scope") -> bool:
    """Whether a request comes from a program."""
    return str(scope["path"]).startswith(PROGRAM_PATHS)


def page(title: str, body: str, *, theme: str = "dark") -> bytes:
    """Return a page without scripts that needs nothing of the record; ``body`` is HTML, ``title`` is not."""
    return _PAGE.format(title=escape(title), body=body, theme=theme).encode("utf-8")


async def refuse(
    scope: "Scope",
    send: "Send",
    *,
    status: int,
    title: str,
    detail: str,
    headers: Mapping[str, str] | None = None,
    **numbers: float,
) -> None:
    """Answer a request with a refusal.

    Parameters
    ----------
    status : int
        HTTP status, 400 and up.
    title, detail : str
        What was refused, and what to do next.
    headers : mapping, optional
        Such as ``Retry-After``.
    numbers : float
        Limits that programs read, each with its unit in its name.
    """
    answer: Response
    known = {"cache-control": "no-store", **(headers or {})}
    if wants_json(scope):
        notice = WordedNotice(code=kind_of(status).code, numbers=dict(numbers), text=detail)
        problem = problem_of(status, detail, instance=scope["path"], title=title, notices=[notice])
        answer = JSONResponse(problem, status_code=status, headers=known, media_type=MEDIA_TYPE)
    else:
        answer = HTMLResponse(page(title, f"<p>{escape(detail)}</p>"), status_code=status, headers=known)
    if scope["method"] == "HEAD":
        answer.body = b""
    await answer(scope, empty_receive, send)
