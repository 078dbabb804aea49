"""Refusals before any page is reached: RFC 9457 for programs, a plain page for people."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from html import escape
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers
from starlette.requests import Request, empty_receive
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import Scope, Send

from shimwise.notices import WordedNotice
from shimwise.web.problems import MEDIA_TYPE, PROGRAM_PATHS, kind_of, problem_of

_PAGE = """<!doctype html>
<html lang="en" data-theme="dark"><head><meta charset="utf-8"><title>{title} · Shimwise</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/static/pages.css"></head>
<body><main id="main" class="door"><h1>{title}</h1>
{body}
</main></body></html>
"""


def header(scope: Scope, name: str) -> str | None:
    """Return a request's header, or None; of one that is there twice both, joined by a comma."""
    found = Headers(scope=scope).getlist(name)
    return ", ".join(found) if found else None


def cookie(scope: Scope, name: str) -> str:
    """Return a request's cookie, empty if there is none."""
    try:
        found = SimpleCookie(header(scope, "cookie") or "").get(name)
    except CookieError:
        return ""
    return found.value if found is not None else ""


def bearer_token(scope: Scope) -> str:
    """Return the token by which a program asks, empty if there is none."""
    bearer = header(scope, "authorization") or ""
    return bearer[7:].strip() if bearer[:7].casefold() == "bearer " else ""


def keep_secret(request: Request, response: Response, name: str, token: str, *, lasts: timedelta) -> None:
    """Put a token into a cookie that no script reads and no other site has sent."""
    response.set_cookie(
        name,
        token,
        max_age=int(lasts.total_seconds()),
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )


def wants_json(scope: Scope) -> bool:
    """Whether a request comes from a program."""
    return str(scope["path"]).startswith(PROGRAM_PATHS)


def page(title: str, body: str) -> bytes:
    """Return a page without scripts that needs nothing of the record; ``body`` is HTML, ``title`` is not."""
    return _PAGE.format(title=escape(title), body=body).encode("utf-8")


@dataclass(frozen=True, slots=True)
class Refusal:
    """A refusal: its HTTP status, what was refused, and what to do next.

    ``numbers`` are limits that programs read, each with its unit in its name.
    """

    status: int
    title: str
    detail: str
    headers: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)

    async def answer(self, scope: Scope, send: Send) -> None:
        """Answer a request with the refusal."""
        answer: Response
        status, headers = self.status, {"cache-control": "no-store", **self.headers}
        if wants_json(scope):
            notice = WordedNotice(code=kind_of(status).code, numbers=dict(self.numbers), text=self.detail)
            problem = problem_of(
                status, self.detail, instance=scope["path"], title=self.title, notices=[notice]
            )
            answer = JSONResponse(problem, status_code=status, headers=headers, media_type=MEDIA_TYPE)
        else:
            body = page(self.title, f"<p>{escape(self.detail)}</p>")
            answer = HTMLResponse(body, status_code=status, headers=headers)
        if scope["type"] == "websocket":
            await _deny(answer, scope, send)
            return
        if scope["method"] == "HEAD":
            answer.body = b""
        await answer(scope, empty_receive, send)


async def _deny(answer: Response, scope: Scope, send: Send) -> None:
    """Refuse a web socket before it is opened, in words where the server can send them."""
    if "websocket.http.response" not in scope.get("extensions", {}):
        await send({"type": "websocket.close", "code": 1008})
        return
    head = {"type": "websocket.http.response.start", "status": answer.status_code}
    await send({**head, "headers": answer.raw_headers})
    await send({"type": "websocket.http.response.body", "body": bytes(answer.body)})
