"""How a request is refused before any page is reached: RFC 9457 for programs, a plain page for people."""

import json
from collections.abc import Iterable, Mapping
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from starlette.types import Scope, Send

__all__ = ["KINDS", "PROGRAM_PATHS", "header", "page", "refuse", "wants_json"]

PROGRAM_PATHS = ("/api/", "/live/")
"""Below these a refusal is ``application/problem+json``, elsewhere a page."""

KINDS = {
    400: "other",
    401: "not-paired",
    403: "refused",
    404: "not-found",
    413: "too-large",
    429: "too-many",
    503: "unavailable",
}
"""What may be refused here, by status: the kinds of problem that the interface documents."""

_PAGE = """<!doctype html>
<html lang="en" data-theme="{theme}"><head><meta charset="utf-8"><title>{title} · Shimwise</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<link rel="stylesheet" href="/static/pages.css"></head>
<body><main id="main" class="door"><h1>{title}</h1>
{body}
</main></body></html>
"""


def header(scope: "Scope", name: str) -> str | None:
    """Give a request's header, or None; one that stands there twice is told as both, joined by a comma."""
    wanted = name.lower().encode("latin-1")
    found = [value.decode("latin-1") for key, value in scope["headers"] if key == wanted]
    return ", ".join(found) if found else None


def wants_json(scope: "Scope") -> bool:
    """Tell whether a request comes from a program."""
    return str(scope["path"]).startswith(PROGRAM_PATHS)


def page(title: str, body: str, *, theme: str = "dark") -> bytes:
    """Give a page without scripts that needs nothing of the record; ``body`` is HTML, ``title`` is not."""
    return _PAGE.format(title=escape(title), body=body, theme=theme).encode("utf-8")


async def refuse(
    scope: "Scope",
    send: "Send",
    *,
    status: int,
    title: str,
    detail: str,
    headers: Mapping[str, str] | None = None,
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
    """
    if wants_json(scope):
        kind, body = "application/problem+json", _problem(scope, status, title, detail)
    else:
        kind, body = "text/html; charset=utf-8", page(title, f"<p>{escape(detail)}</p>")
    await _answer(scope, send, status=status, kind=kind, body=body, headers=headers or {})


def _problem(scope: "Scope", status: int, title: str, detail: str) -> bytes:
    problem: dict[str, Any] = {
        "type": f"/api/v1/problems#{KINDS[status]}",
        "title": title,
        "status": status,
        "detail": detail,
        "instance": scope["path"],
        "places": [],
    }
    return json.dumps(problem, ensure_ascii=False).encode("utf-8")


async def _answer(
    scope: "Scope", send: "Send", *, status: int, kind: str, body: bytes, headers: Mapping[str, str]
) -> None:
    raw: Iterable[tuple[bytes, bytes]] = [
        (b"content-type", kind.encode("latin-1")),
        (b"content-length", str(len(body)).encode("latin-1")),
        (b"cache-control", b"no-store"),
        *((name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers.items()),
    ]
    await send({"type": "http.response.start", "status": status, "headers": list(raw)})
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
