"""Rendering of pages: one Jinja environment, and the values of every page (theme, person, way)."""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from shimwise import __version__
from shimwise.bench.access.acting import Actor, permitted
from shimwise.bench.access.errors import NotAllowed
from shimwise.bench.access.roles import Act
from shimwise.bench.house.scale_marks import marks_text
from shimwise.bench.house.settings import THEMES
from shimwise.errors import LengthError, RecordError
from shimwise.lengths import length_to_mm, mm_to_feet_text
from shimwise.number_format import decimal_text, half_digits, is_nought, signed_text
from shimwise.web.pages.forms import Form, capital

WEB = Path(__file__).parents[1]
FOLDER, STATIC = WEB / "templates", WEB / "static"
PERSON_COOKIE, THEME_COOKIE = "shimwise_person", "shimwise_theme"
LONGEST_NAME, LONGEST_FILE_NAME = 80, 120
"""Characters of the names of a person and of a file that are kept."""
OUT = ("out_short", "out_deep")
"""Verdicts of a unit that is out."""
_PLURALS = {"lens": "lenses", "body": "bodies", "remedy": "remedies"}


@dataclass(slots=True, kw_only=True)
class Page:
    """Values of every page: ``way`` is its entry of the navigation, then come its first sentences.

    ``has_people``: whether names are proved here; ``person`` is then who is signed in, with the ``role``, and
    ``asks_pin`` whether the device was idle.
    """

    way: str = ""
    theme: str = "dark"
    person: str = ""
    role: str = ""
    has_people: bool = False
    asks_pin: bool = False
    path: str = "/"
    version: str = __version__
    units: str = "ft"
    sentence: str = ""
    second: str = ""
    problem: str = ""
    actor: Actor | None = None

    def refusal_of(self, act: str) -> str:
        """Return why the role of who is signed in does not allow an act; empty where it may be done."""
        if self.actor is not None and self.actor.role is not None:
            try:
                permitted(self.actor, Act(act))
            except NotAllowed as refused:
                return str(refused)
            except RecordError:  # a PIN or a person is asked for, as the form itself does
                return ""
        return ""

    @property
    def usual_distances(self) -> tuple[str, ...]:
        """Distances offered at one tap."""
        return ("1 m", "2 m", "4 m", "INF") if self.units == "m" else ("3'", "6'", "12'", "INF")

    @property
    def first_distance(self) -> str:
        """Where a first chart is well placed."""
        return "1 m" if self.units == "m" else "3 ft"

    @property
    def distance_example(self) -> str:
        """Shown in an empty field of a distance."""
        return "914 mm, 1.83 m, INF" if self.units == "m" else "3', 6' 2\", INF"

    @property
    def marks_example(self) -> str:
        """Shown in an empty field of a lens's marks."""
        return "0.6 m, 0.8 m, 1 m, 1.5 m, INF" if self.units == "m" else "2', 3', 4', 6', 10', INF"

    @property
    def reading_example(self) -> str:
        """Shown in an empty field of a reading."""
        return "905 mm, on" if self.units == "m" else "2' 11 1/2\", on"


def render(
    request: Request,
    template: str,
    page: Page,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    **values: Any,  # noqa: ANN401 - what templates are given
) -> HTMLResponse:
    """Render a page or a part of one.

    Parameters
    ----------
    request : Request
        From whom theme and person are known.
    template : str
        Path below the templates.
    page : Page
        Its values.
    status, headers
        Of the response.
    values
        What the template needs besides.
    """
    page.theme = theme_of(request, page.theme)
    _add_actor(request, page)
    page.path = request.url.path
    text = environment().get_template(template).render(page=page, form=values.pop("form", Form()), **values)
    return HTMLResponse(
        text,
        status_code=status,
        headers={"Cache-Control": "no-store", "Vary": "HX-Request", **(headers or {})},
    )


def _add_actor(request: Request, page: Page) -> None:
    """Add to a page who is signed in; in a house without a keeper the name that the device was given."""
    actor: Actor | None = getattr(request.state, "actor", None)
    if actor is None:
        page.person = page.person or person_of(request)
        return
    page.has_people, page.person, page.role, page.actor = True, actor.name, str(actor.role or ""), actor
    page.asks_pin = actor.is_person and not actor.is_fresh


def theme_of(request: Request, house: str = "dark") -> str:
    """Return the theme of this device, or the house's."""
    chosen = request.cookies.get(THEME_COOKIE, "")
    if chosen in THEMES:
        return chosen
    return house if house in THEMES else "dark"


def person_of(request: Request) -> str:
    """Return the name kept on this device, empty if none is."""
    from urllib.parse import unquote

    name = unquote(request.cookies.get(PERSON_COOKIE, ""))
    return " ".join("".join(c for c in name if c.isprintable()).split())[:LONGEST_NAME]


@cache
def environment() -> Environment:
    """Return the environment: escaping on, and a name that is not there is a fault."""
    made = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    named = (
        signed,
        half,
        error,
        way,
        chance,
        counted,
        capital,
        titled,
        standing,
        when,
        clock,
        typeset,
        sentences,
        rounded,
        taped,
    )
    filters: dict[str, Callable[..., object]] = {one.__name__: one for one in named}
    filters |= {"marks": partial(marks_text, separator=", ")}
    filters |= {"num": number, "mm": millimetres, "safe_svg": Markup}
    made.filters.update(filters)
    return made


def signed(value: float | None, digits: int = 0) -> str:
    """Write a number with its sign, ``−14``; what is not known as ``–``."""
    if value is None or not math.isfinite(value):
        return "–"
    return signed_text(value, digits=digits, comma=True)


def half(value: float | None) -> str:
    """Write half an interval, with a decimal where it is below 2, with two below 0.1."""
    if value is None or not math.isfinite(value):
        return "–"
    return decimal_text(value, half_digits(value))


def error(um: float | None, half_um: float | None = None) -> str:
    """Write a landing or an error with half its interval, ``−14 ± 6 µm``, as many decimals to both."""
    if half_um is None or not math.isfinite(half_um):
        return f"{signed(um)} µm"
    return f"{signed(um, half_digits(half_um))} ± {half(half_um)} µm"


def number(value: float | None) -> str:
    """Write a number as short as it is, with the minus sign of type."""
    if value is None:
        return ""
    if not math.isfinite(value):
        return "INF" if value > 0 else "–"
    return f"{value:.6g}".replace("-", "−")


def rounded(value: float) -> str:
    """Write a size to two digits, as it is spoken: 374 as 370."""
    step = 10 ** max(math.floor(math.log10(value)) - 1, 0) if value > 0 else 1
    return decimal_text(round(value / step) * step, 0, comma=True)


def millimetres(value: float | None) -> str:
    """Write a length in mm, from a metre up in metres; infinity as INF."""
    if value is None or math.isnan(value):
        return "–"
    if math.isinf(value):
        return "INF"
    return f"{value / 1000:.3f} m" if value >= 1000 else f"{value:.4g} mm"


def taped(text: str) -> str:
    """Write a typed length in the usual form of its system, ``3 foot`` as ``3'``; as typed if inexact."""
    try:
        mm = length_to_mm(text)
        if math.isinf(mm):
            return "INF"
        is_metric = any(sign in text.casefold() for sign in "m㎜㎝")
        metric = f"{mm / 1000:g} m" if mm >= 1000 else f"{mm:g} mm"
        plain = metric if is_metric else mm_to_feet_text(mm)
        return plain if math.isclose(length_to_mm(plain), mm, rel_tol=1e-9) else text
    except LengthError:
        return text


def way(um: float | None) -> str:
    """Return which way a landing lies: ``short``, ``deep`` or ``on``."""
    if um is None or not math.isfinite(um):
        return ""
    return "on" if is_nought(um) else "short" if um < 0 else "deep"


def chance(probability: float | None) -> str:
    """Write a probability in per cent, the ends as ``< 1 %`` and ``> 99 %``."""
    if probability is None or not math.isfinite(probability):
        return "–"
    if probability < 0.01:
        return "< 1 %"
    return "> 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def counted(count: int, noun: str) -> str:
    """Write a count and its noun: ``1 lens``, ``12 bodies``."""
    stems = (noun[: -len(one)] + many for one, many in _PLURALS.items() if noun.endswith(one))
    plural = next(stems, f"{noun}s")
    return f"{count:,}\u00a0{noun if count == 1 else plural}"


def titled(kind: str, name: str) -> str:
    """Put the kind before a name unless the name contains it, as a sentence begins."""
    word = {"setup": "set-up", "scale": "scale of lens"}.get(kind, kind)
    return capital(name if name.casefold().startswith(word) else f"{word} {name}")


def standing(readings: Iterable[Any]) -> int:
    """Count the readings that are not withdrawn."""
    return sum(not one.is_withdrawn for one in readings)


def when(at: datetime | None) -> str:
    """Write a day: ``today 14:05``, ``3 May 2026``; UTC is shown as the server's own time."""
    if at is None:
        return ""
    local, now = at.astimezone(), datetime.now(UTC).astimezone()
    if local.date() == now.date():
        return f"today {local:%H:%M}"
    return f"{local.day} {local:%b %Y}"


def sentences(text: str) -> tuple[str, str]:
    """Part a text after its first sentence, so that it can be shown alone."""
    found = re.search(r"[.!?] (?=[A-Z])", text)
    return (text, "") if found is None else (text[: found.start() + 1], text[found.end() :])


def typeset(text: str) -> Markup:
    """Write a sentence so that a number stays with its unit, and what is measured in microns is bold."""
    safe = str(escape(text))
    safe = re.sub(r"(?<=\d) ?± ?(?=\d)", "\u00a0±\u00a0", safe)
    safe = re.sub(r"(± ?|P &gt; |P &lt; |take )(?=\d)", lambda m: m[1].replace(" ", "\u00a0"), safe)
    safe = re.sub(r"(?<=\d) (?=(?:µm|mm|m|ft|‰|K)\b|%)", "\u00a0", safe)
    safe = re.sub(r"\b[A-Za-z]{1,6}-\d{1,4}\b", r'<span class="nowrap">\g<0></span>', safe)  # a unit's name
    measured = r"(?:[−+]?\d[\d.,]*\u00a0)?(?:±\u00a0?)?[−+]?\d[\d.,]*\u00a0µm"
    return Markup(re.sub(measured, r"<b>\g<0></b>", safe))  # noqa: S704 - escaped above


def clock(at: datetime | None) -> str:
    """Write a time of the day, with the day where it is another one."""
    if at is None:
        return ""
    local, now = at.astimezone(), datetime.now(UTC).astimezone()
    return f"{local:%H:%M}" if local.date() == now.date() else f"{local.day} {local:%b %H:%M}"
