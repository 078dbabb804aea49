"""Pictures for the pages: the landings of a prep and a unit's past, from the definitions that paper uses.

Drawing takes a fraction of a second, so a picture is kept for as long as what it shows stays the same.
"""

import json
import math
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, fields
from html import escape
from importlib.resources import files
from typing import Any, TypeVar

from shimwise.bench.house.views import PastAdjustment, PastVerdict
from shimwise.bench.prep.views import PrepUnit, PrepView, ReadingView, SweepView
from shimwise.fields import build_from
from shimwise.inference.verdict.answer import OUT, Answer, BodyAnswer, LensAnswer, ReadingAnswer, Verdict
from shimwise.record.record import Record
from shimwise.sheets.pictures.picture import Picture, arrange
from shimwise.sheets.pictures.style import page_style
from shimwise.sheets.words.shared import signed_text

_Spec = dict[str, Any]
_Unit = TypeVar("_Unit", bound=BodyAnswer)
MOST_KEPT = 256
"""Pictures kept, about 60 kB each."""
MOST_BODIES, MOST_ROWS = 6, 60
_kept: OrderedDict[Hashable, str] = OrderedDict()
_lock = threading.Lock()
_drawing = threading.Lock()


@dataclass(frozen=True, slots=True, kw_only=True)
class LandingsRow:
    """One line of the picture in words: a lens on a body, its landings, and where they are expected. [µm]"""

    body: str
    lens: str
    landings: str
    doubted: str
    expected: str


def warm_up() -> None:
    """Begin, beside everything else, to load what drawing needs; only the first call does anything."""
    global _is_warm  # noqa: PLW0603 - once for the process
    with _lock:
        if _is_warm:
            return
        _is_warm = True
    threading.Thread(target=_draw_something, name="pictures", daemon=True).start()


_is_warm = False


def _draw_something() -> None:
    from shimwise.sheets.pictures.marks import mark

    with _drawing:
        _svg(lambda: mark("point", [{}]), name="")


def landings_svg(record: Record, prep_id: str, *, theme: str = "dark", width_px: int = 680) -> str:
    """Draw the landings of a prep; errors as :func:`prep_landings_svg`, and those of opening a prep."""
    from shimwise.bench.prep.preps import open_prep

    return prep_landings_svg(open_prep(record, prep_id), theme=theme, width_px=width_px)


def prep_landings_svg(prep: PrepView, *, theme: str = "dark", width_px: int = 680) -> str:
    """Draw the landings of a prep as SVG with presentation attributes only.

    Readings that the latest verdict does not contain yet are drawn too, with full weight.

    Parameters
    ----------
    prep : PrepView
        As it was opened.
    theme : str
        ``dark``, ``light`` or ``paper``.
    width_px : int
        How wide the picture is. [px]

    Raises
    ------
    SheetError
        When there is no such theme, or no picture of that width.
    """
    style = page_style(theme, width_px)
    answer, texts, zoom_mm = _answer(prep), _texts(prep), _zoom_mm(prep)

    def draw() -> _Spec:
        from shimwise.sheets.pictures.verdict_figure import verdict_figure

        return verdict_figure(
            answer,
            lens_text=texts,
            zoom_mm=zoom_mm,
            most_bodies=MOST_BODIES,
            most_rows=MOST_ROWS,
            style=style,
        )

    key = ("landings", theme, width_px, repr(answer), tuple(texts.items()), tuple(zoom_mm.items()))
    return drawn(key, draw, name="Landings in microns at the sensor, short at the left, deep at the right.")


def has_landings(prep: PrepView) -> bool:
    """Whether there is anything to draw."""
    return any(not one.is_withdrawn for one in prep.readings) or any(
        one.landing_um is not None and not one.is_withdrawn for one in prep.sweeps
    )


def landings_rows(prep: PrepView) -> tuple[LandingsRow, ...]:
    """Return the picture as a table, row by row in its order."""
    picture: Picture = arrange(
        _answer(prep),
        lens_text=_texts(prep),
        zoom_mm=_zoom_mm(prep),
        most_bodies=MOST_BODIES,
        most_rows=MOST_ROWS,
    )
    return tuple(
        LandingsRow(
            body=panel.body.name,
            lens=row.name,
            landings=_listed(row.kept_um),
            doubted=_listed(row.doubted_um),
            expected=signed_text(row.bar.at_um, comma=True) if row.bar else "",
        )
        for panel in picture.panels
        for row in panel.rows
    )


def past_svg(
    past: Sequence[PastVerdict],
    *,
    adjustments: Sequence[PastAdjustment] = (),
    tolerance_um: float,
    theme: str = "dark",
    width_px: int = 680,
) -> str:
    """Draw a unit's past as SVG; empty before the first verdict.

    Parameters
    ----------
    past : sequence of PastVerdict
        Earlier verdicts on the unit.
    adjustments : sequence of PastAdjustment
        When it was adjusted.
    tolerance_um : float
        ± of the unit. [µm]
    theme, width_px
        As of :func:`prep_landings_svg`.
    """
    from shimwise.sheets.pictures.past_figure import PastPoint, past_figure

    style = page_style(theme, width_px)
    points = tuple(
        build_from(PastPoint, one, at=one.given_at, is_out=one.verdict in OUT)
        for one in past
        if all(map(math.isfinite, (one.error_um, one.low_um, one.high_um)))
    )
    if not points:
        return ""
    adjusted = tuple(one.made_at for one in adjustments)

    def draw() -> _Spec:
        return past_figure(points, adjusted=adjusted, tolerance_um=tolerance_um, style=style)

    key = ("past", theme, width_px, points, adjusted, tolerance_um)
    return drawn(key, draw, name="Error over time in microns.")


def drawn(key: Hashable, draw: Callable[[], _Spec], *, name: str) -> str:
    """Return the picture that is kept under a key, or draw and keep it; one is drawn at a time."""
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            return _kept[key]
    with _drawing:
        svg = _svg(draw, name=name)
    with _lock:
        _kept[key] = svg
        while len(_kept) > MOST_KEPT:
            _kept.popitem(last=False)
    return svg


def _svg(draw: Callable[[], _Spec], *, name: str) -> str:
    import vl_convert

    _register_font()
    svg: str = vl_convert.vegalite_to_svg(json.dumps(draw()))
    return _named(_without_roles(svg), name)


def _register_font() -> None:
    """Register the pages' typeface, with which the converter measures text."""
    global _is_registered  # noqa: PLW0603 - once for the process
    if not _is_registered:
        import vl_convert

        vl_convert.register_font_directory(str(files("shimwise.sheets.charts").joinpath("fonts")))
        _is_registered = True


_is_registered = False


def _without_roles(svg: str) -> str:
    """Leave out the roles of every part: the picture is one image, with a table beside it."""
    return re.sub(r' (?:role|aria-[a-z]+)="[^"]*"', "", svg)


def _named(svg: str, name: str) -> str:
    end = svg.index(">", svg.index("<svg"))
    return f'{svg[:end]} role="img" aria-label="{escape(name, quote=True)}">{svg[end + 1 :]}'


def _texts(prep: PrepView) -> dict[str, str]:
    return {lens.name: lens.text for lens in prep.lenses}


def _answer(prep: PrepView) -> Answer:
    """Return the answer to draw: the verdict, and every landing of the units in their present state."""
    from shimwise.sheets.json.verdict_json import answer_from_json

    taken: list[tuple[int, float | None, ReadingView | SweepView]]
    taken = [(row.number, row.weight, row) for row in prep.readings]
    swept = enumerate(prep.sweeps, len(prep.readings) + 1)
    taken += [(number, None, row) for number, row in swept if row.landing_um is not None]
    readings = tuple(
        build_from(
            ReadingAnswer,
            row,
            row=number,
            line=number,
            sd_um=row.landing_sd_um or 0.0,
            weight=1.0 if weight is None else weight,
        )
        for number, weight, row in taken
        if not row.is_withdrawn and not row.is_past
    )
    verdict, tolerance_um = prep.verdict, prep.tolerance_um
    if verdict is not None:
        judged = answer_from_json(verdict.document)
        bodies, lenses, tolerance_um = judged.bodies, judged.lenses, judged.tolerance_um
    else:
        bodies = _unjudged(BodyAnswer, prep.bodies, prep.tolerance_um)
        lenses = _unjudged(LensAnswer, prep.lenses, prep.tolerance_um)
    return Answer(
        tolerance_um=tolerance_um,
        headline="",
        bodies=bodies,
        lenses=tuple(lenses),
        setups=(),
        operators=(),
        readings=readings,
        causes=(),
        next=(),
        notices=(),
    )


def _zoom_mm(prep: PrepView) -> dict[int, float]:
    """Return the focal length to which a zoom was set, by the number of its reading. [mm]"""
    return {one.number: one.focal_mm for one in prep.readings if one.is_zoom}


def _unjudged(kind: type[_Unit], units: Sequence[PrepUnit], tolerance_um: float) -> tuple[_Unit, ...]:
    """Return units without a verdict: every number that it would hold is nan."""
    empty: dict[str, Any] = {one.name: math.nan for one in fields(kind)}
    empty["verdict"] = Verdict.NOT_CHECKED
    return tuple(
        kind(**{**empty, "name": unit.name, "tolerance_um": unit.tolerance_um or tolerance_um})
        for unit in units
    )


def _listed(values_um: Sequence[float]) -> str:
    return ", ".join(signed_text(um, comma=True) for um in values_um)
