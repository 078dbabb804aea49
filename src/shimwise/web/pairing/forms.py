"""The door's pages: what a person fills in to pair a device, and the list of those that are paired."""

from collections.abc import Mapping, Sequence
from html import escape
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from shimwise.bench.access.pairing import Device
from shimwise.web.pages.view import LONGEST_NAME, person_of, when
from shimwise.web.refusal import page
from shimwise.web.security import own_path

__all__ = [
    "CODE_GONE",
    "Typed",
    "code_form",
    "devices_body",
    "door_page",
    "passphrase_form",
    "qr_svg",
    "too_many",
]


def qr_svg(text: str) -> str:
    """Draw a QR code as SVG to stand in a page: dark on light in both themes."""
    import segno

    drawn: str = segno.make(text, error="m").svg_inline(
        scale=6, border=4, dark="#000", light="#fff", title="QR code to pair a device"
    )
    return drawn


class Typed:
    """What a person typed at the door: what the device is called, and who they are."""

    def __init__(self, request: Request, form: Mapping[str, object] | None = None) -> None:
        self.name = str((form or {}).get("name", ""))
        self.who = str((form or {}).get("who", "")).strip()[:LONGEST_NAME] or person_of(request)


CODE_GONE = (
    "<p>This code was used already, or its time is over. Have a paired device show a new one "
    '(House, then Devices), or pair by the passphrase.</p><p><a class="btn" href="/pair">'
    "Pair by the passphrase</a></p>"
)


def door_page(request: Request, title: str, body: str, *, status: int = 200) -> Response:
    """Answer with a page of the door; ``body`` is HTML."""
    theme = "light" if request.cookies.get("shimwise_theme") == "light" else "dark"
    return HTMLResponse(
        page(title, body, theme=theme), status_code=status, headers={"cache-control": "no-store"}
    )


def too_many(request: Request, wait_s: float) -> Response:
    """Answer that pairing was tried too often."""
    wait = int(wait_s) + 1
    response = door_page(
        request,
        "Too many tries",
        f"<p>Pairing was tried too often. It is taken again in {wait} s.</p>",
        status=429,
    )
    response.headers["retry-after"] = str(wait)
    return response


def _wrong(words: str) -> str:
    return f'<p class="wrong" role="alert">{escape(words)}</p>' if words else ""


def _name_fields(typed: Typed) -> str:
    return (
        '<div class="field"><label for="name">What this device is called</label>'
        f'<input type="text" id="name" name="name" value="{escape(typed.name)}" maxlength="60" '
        'placeholder="bay 2 tablet" autocomplete="off"></div>'
        '<div class="field"><label for="who">Your name</label>'
        '<span class="hint" id="who-hint">Kept on this device, and beside all that you enter on it.</span>'
        f'<input type="text" id="who" name="who" value="{escape(typed.who)}" maxlength="{LONGEST_NAME}" '
        'autocomplete="name" aria-describedby="who-hint"></div>'
    )


def _passphrase_field(label: str, ident: str = "passphrase") -> str:
    return (
        f'<div class="field"><label for="{ident}">{label}</label>'
        f'<input type="password" id="{ident}" name="passphrase" required maxlength="200" '
        'autocomplete="current-password"></div>'
    )


def passphrase_form(request: Request, typed: Typed, wrong: str) -> str:
    """Give the form that pairs a device by the passphrase; ``wrong`` says what was, else it is empty."""
    wanted = quote(own_path(request.query_params.get("next", "/")))
    return (
        "<p>These pages are seen by paired devices only. Type the house's passphrase, or scan a code that a "
        f'paired device shows.</p>{_wrong(wrong)}<form method="post" action="/pair?next={wanted}">'
        f"{_passphrase_field('Passphrase of the house')}{_name_fields(typed)}"
        '<div class="acts"><button class="btn btn-main" type="submit">Pair this device</button></div></form>'
    )


def code_form(request: Request, typed: Typed, wrong: str) -> str:
    """Give the form that pairs a device by the code in the address; ``wrong`` as above."""
    action = escape(quote(request.url.path))
    return (
        f'{_wrong(wrong)}<form method="post" action="{action}">{_name_fields(typed)}'
        '<div class="acts"><button class="btn btn-main" type="submit">Pair this device</button></div></form>'
    )


def devices_body(known: Sequence[Device], own_id: str, wrong: str) -> str:
    """Give the list of the paired devices, and the forms that pair one more."""
    rows = "".join(
        f"<li><b>{number}. {escape(device.name)}</b>{' (this one)' if device.id == own_id else ''}"
        f'<p class="quiet">{_last_seen(device)}, paired {when(device.paired_at)} by {escape(device.how)}</p>'
        f'<form method="post" action="/devices/{escape(device.id)}/unpair">'
        f'<button class="btn" type="submit">Un-pair {escape(device.name)}</button></form></li>'
        for number, device in enumerate(known, 1)
    )
    listed = f"<ul>{rows}</ul>" if rows else "<p>No device is paired yet.</p>"
    return (
        f'<p><a class="btn" href="/">To the preps</a></p>{_wrong(wrong)}{listed}'
        '<h2>Pair one more</h2><form method="post" action="/devices/code">'
        f"{_passphrase_field('Passphrase of the house')}"
        '<div class="acts"><button class="btn btn-main" type="submit">Show a code</button></div></form>'
        '<h2>Pair a program</h2><form method="post" action="/devices/program">'
        '<div class="field"><label for="program">What the program is called</label>'
        '<input type="text" id="program" name="name" maxlength="60" placeholder="stock system"></div>'
        f"{_passphrase_field('Passphrase of the house', 'passphrase2')}"
        '<div class="acts"><button class="btn" type="submit">Make a token</button></div></form>'
    )


def _last_seen(device: Device) -> str:
    return "Not seen since" if device.seen_at is None else f"Last seen {when(device.seen_at)}"
