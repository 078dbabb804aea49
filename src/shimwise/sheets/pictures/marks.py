"""Parts of a Vega-Lite specification that the figures share: marks, axes, titles, signs of a reading."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from operator import itemgetter
from typing import Any

from shimwise.sheets.pictures.style import PAPER, Palette, Style
from shimwise.sheets.words.shared import plain, wrapped

Spec = dict[str, Any]

SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
SIGNED = "datum.value == 0 ? '0' : format(datum.value, '+')"
"""How a tick is written: with its sign, 0 without."""
DASHED = [2, 3]
"""Dashes of an estimate's own line and of limits. [px]"""
CROSS = "M-0.7,-0.7L0.7,0.7M-0.7,0.7L0.7,-0.7"
TITLE_LETTERS, SUBTITLE_LETTERS = 82, 112
"""How many letters of a headline, and of the line below it, fill the width of a figure on paper."""


def mark(
    kind: str,
    values: Sequence[Mapping[str, Any]],
    *,
    x: Spec | float | None = None,
    x2: str | float | None = None,
    y: Spec | float | None = None,
    y2: str | float | None = None,
    words: str | None = None,
    by: Mapping[str, Spec] | None = None,
    **look: Any,  # noqa: ANN401 - properties of the mark, as Vega-Lite names them
) -> Spec:
    """Return a layer of marks, one for each of ``values``.

    Parameters
    ----------
    kind : str
        ``rule``, ``rect``, ``point``, ``tick``, ``line`` or ``text``.
    values : sequence of mapping
        The data.
    x, x2, y, y2 : dict, str or float, optional
        A channel such as :func:`quantity` returns, the name of a field, or a place in the plot. [px]
    words : str, optional
        The field that holds a text's words.
    by : mapping of str to dict, optional
        Other channels.
    **look
        Colour, size and the like.
    """
    places = {"x": x, "x2": x2, "y": y, "y2": y2}
    encoding = {name: _channel(place) for name, place in places.items() if place is not None}
    if words is not None:
        encoding["text"] = {"field": words, "type": "nominal"}
    return {
        "data": {"values": list(values)},
        "mark": {"type": kind, **look},
        "encoding": {**encoding, **(by or {})},
    }


def _channel(place: Spec | str | float) -> Spec:
    if isinstance(place, str):
        return {"field": place}
    return place if isinstance(place, dict) else {"value": place}


def reading_mark(
    values: Sequence[Mapping[str, Any]],
    *,
    x: Spec | float,
    y: Spec | float,
    is_doubted: bool = False,
    is_crowded: bool = False,
    shift_px: float = 0.0,
    palette: Palette = PAPER,
    size_px2: float = 46.0,
) -> Spec:
    """Return readings as diamonds, fainter and without a rim in a crowd, or as crosses where doubted."""
    common: Spec = {"color": palette.ink, "size": size_px2, "xOffset": shift_px}
    if is_doubted:
        cross: Spec = {"shape": CROSS, "strokeWidth": 1.5, "filled": False, "opacity": 1}
        return mark("point", values, x=x, y=y, **common, **cross)
    return mark(
        "point",
        values,
        x=x,
        y=y,
        shape="diamond",
        filled=True,
        opacity=0.35 if is_crowded else 0.9,
        stroke=palette.ink if is_crowded else palette.rim,
        strokeWidth=0.0 if is_crowded else 0.6,
        **common,
    )


def quantity(
    field: str, domain: Sequence[float], axis: Spec | None = None, *, is_rounded: bool = False
) -> Spec:
    """Return the channel of a number; ``is_rounded``: the domain is widened to round numbers."""
    scale = {"domain": list(domain), "nice": is_rounded, "zero": False}
    return {"field": field, "type": "quantitative", "scale": scale, "axis": axis}


def signed_axis(title: str | None, *, ticks: int = 7) -> Spec:
    """Return an axis whose numbers carry their sign."""
    apart: Spec = {"labelOverlap": "greedy", "labelSeparation": 6}
    return {"title": title, "grid": False, "tickCount": ticks, "labelExpr": SIGNED, **apart}


def time_axis(domain: Sequence[datetime], days: Sequence[datetime]) -> Spec:
    """Return the channel of a time, with the days to name below."""
    return {
        "field": "at",
        "type": "temporal",
        "scale": {"domain": [_to_the_minute(at) for at in domain], "type": "utc"},
        "axis": {
            "title": None,
            "values": [_to_the_minute(at) for at in days],
            "format": "%-d %b %Y",
            "labelOverlap": "greedy",
            "labelSeparation": 10,
        },
    }


def _to_the_minute(at: datetime) -> Spec:
    parts = {"year": at.year, "month": at.month, "date": at.day, "hours": at.hour, "minutes": at.minute}
    return {"utc": True, **parts}


def time_text(at: datetime) -> str:
    """Return a time in UTC as data of a figure."""
    return f"{at:%Y-%m-%dT%H:%M:%S}Z"


def headed(headline: str, second: str) -> Spec:
    """Return the title of a figure on paper: the headline, and a second line below it."""
    return {
        "text": wrapped(plain(headline), TITLE_LETTERS),
        "subtitle": wrapped(second, SUBTITLE_LETTERS),
        "anchor": "start",
        "frame": "bounds",
        "fontSize": 13,
        "subtitleFontSize": 10.5,
        "subtitleColor": PAPER.ink,
        "offset": 14,
        "color": PAPER.ink,
    }


def figure(parts: Spec, style: Style, *, description: str, is_small: bool | None = None) -> Spec:
    """Return a whole specification: the parts with ground, typeface and inks.

    Parameters
    ----------
    parts : dict
        Layers or panels, as Vega-Lite names them.
    style : Style
        Inks and measures.
    description : str
        The picture in words, for those who do not see it.
    is_small : bool, optional
        Whether the axes have the smaller type and no margin is left around; by default where the figure is a
        page's picture, without headline and legend.
    """
    palette, layout = style.palette, style.layout
    is_small = not layout.is_whole if is_small is None else is_small
    return {
        "$schema": SCHEMA,
        "description": description,
        "background": palette.ground or "transparent",
        "padding": 0 if is_small else 14,
        "config": {
            "font": layout.font,
            "view": {"stroke": None},
            "axis": style.axis_config(is_small=is_small),
        },
        **parts,
    }


def grouped(values: Sequence[Spec], *fields: str) -> Iterator[tuple[Any, list[Spec]]]:
    """Return values grouped by fields, in the order of these."""
    key = itemgetter(*fields)
    for found in sorted({key(value) for value in values}):
        yield found, [value for value in values if key(value) == found]
