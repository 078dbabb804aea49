"""The door's pages: how a device is paired, and the list of those that are."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from shimwise.web.acting import presence_of
from shimwise.web.pages.view import LONGEST_NAME, environment, person_of
from shimwise.web.security import own_path


def qr_svg(text: str) -> str:
    """Draw a QR code as SVG for a page: dark on light in both themes."""
    import segno

    drawn: str = segno.make(text, error="m").svg_inline(
        scale=6, border=4, dark="#000", light="#fff", title="QR code to pair a device"
    )
    return drawn


@dataclass(frozen=True, slots=True)
class Typed:
    """What a person typed at the door: the device's name, and their own."""

    name: str
    who: str

    @classmethod
    def of(cls, request: Request, form: Mapping[str, object]) -> "Typed":
        """Return what a form holds; without a name of the person that of the device."""
        who = str(form.get("who", "")).strip()[:LONGEST_NAME] or person_of(request)
        return cls(str(form.get("name", "")), who)


def door_page(request: Request, template: str, title: str, *, status: int = 200, **values: Any) -> Response:  # noqa: ANN401
    """Answer with a page of the door, which needs no script and nothing of the record."""
    theme = "light" if request.cookies.get("shimwise_theme") == "light" else "dark"
    text = environment().get_template(f"door/{template}.html").render(title=title, theme=theme, **values)
    return HTMLResponse(text, status_code=status, headers={"cache-control": "no-store"})


def pair_page(
    request: Request, typed: Typed, *, by_code: bool, wrong: str = "", status: int = 200
) -> Response:
    """Answer with the form that pairs a device, by the code in the address or by the passphrase."""
    wanted = quote(own_path(request.query_params.get("next", "/")))
    return door_page(
        request,
        "pair",
        "Pair this device",
        status=status,
        typed=typed,
        by_code=by_code,
        wrong=wrong,
        action=quote(request.url.path) if by_code else f"/pair?next={wanted}",
        longest=LONGEST_NAME,
        is_named_by_signing_in=presence_of(request).has_keeper(request.app.state.record),
    )


def too_many(request: Request, wait_s: float) -> Response:
    """Answer that pairing was tried too often."""
    wait = int(wait_s) + 1
    response = door_page(request, "too_many", "Too many tries", status=429, wait_s=wait)
    response.headers["retry-after"] = str(wait)
    return response
