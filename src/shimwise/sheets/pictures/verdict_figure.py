"""The figure of a verdict: on paper the rail in black and one tint, on a page in the inks of its theme."""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.pictures.figure_marks import INK, TINT, Axis, cross, diamond, inline, x2_px, x_px, y_px
from shimwise.sheets.pictures.figure_panel import MOST_PER_ROW, PanelDrawing
from shimwise.sheets.pictures.figure_style import ON_PAPER, Style
from shimwise.sheets.pictures.picture import MOST_BODIES, MOST_ROWS, Picture, arrange
from shimwise.sheets.words.sentences import description, second_line
from shimwise.sheets.words.shared import counted, plain, wrapped

if TYPE_CHECKING:
    import altair as alt

__all__ = ["verdict_chart", "verdict_spec"]

_SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"

FONT = ON_PAPER.font
LABEL_PX, PLOT_PX = ON_PAPER.label_px, ON_PAPER.plot_px
TITLE_LETTERS, SUBTITLE_LETTERS, LEGEND_LETTERS = 82, 112, 118
"""How many letters fill the figure's width."""
LINE_PX, SIGN_PX, COLUMNS_PX = 16, 20, (0, 215, 365)
"""Of the legend: height of a line, width of a sign, and where its columns begin."""


def verdict_chart(
    answer: Answer,
    *,
    lens_text: Mapping[str, str] | None = None,
    most_bodies: int = MOST_BODIES,
    most_rows: int = MOST_ROWS,
    style: Style | None = None,
) -> "alt.VConcatChart":
    """Draw the landings, the estimates with their 95 % intervals and the tolerance, a panel for each body.

    Parameters
    ----------
    answer : Answer
        What the judge said. Of 100,000 readings some are drawn, evenly through their order in each row; the
        figure then says so.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    most_bodies, most_rows : int
        How many bodies, and rows of lenses in all, are drawn at most; the figure says what is left out.
    style : Style, optional
        Inks and measures; those of paper when not given.

    Returns
    -------
    altair.VConcatChart
        To be saved with :func:`shimwise.sheets.pictures.figure_file.save_figure`.
    """
    import altair as alt

    style = style or Style()
    picture = arrange(answer, lens_text=lens_text, most_bodies=most_bodies, most_rows=most_rows)
    panels = [drawing.chart() for drawing in _drawings(picture, style)]
    layout = style.layout
    parts = [*panels, _legend(answer, picture)] if layout.is_whole else panels
    chart: alt.VConcatChart = (
        alt.vconcat(*parts, spacing=14 if layout.is_whole else 22)
        .properties(description=description(answer), padding=14 if layout.is_whole else 0)
        .properties(background=style.palette.ground or "transparent")
        .configure(font=layout.font)
        .configure_view(stroke=None)
        .configure_axis(**_axis_config(style))
    )
    return chart.properties(title=_title(answer)) if layout.is_whole else chart


def verdict_spec(
    answer: Answer,
    *,
    lens_text: Mapping[str, str] | None = None,
    most_bodies: int = MOST_BODIES,
    most_rows: int = MOST_ROWS,
    style: Style,
) -> dict[str, Any]:
    """Give the picture of :func:`verdict_chart` for a page, as a Vega-Lite specification.

    The layers are the same; they are put together here, since joining charts copies all of them many times.

    Parameters
    ----------
    answer, lens_text, most_bodies, most_rows
        As of :func:`verdict_chart`.
    style : Style
        One without headline and legend.
    """
    picture = arrange(answer, lens_text=lens_text, most_bodies=most_bodies, most_rows=most_rows)
    datasets: dict[str, Any] = {}
    context = {"top_level": False, "datasets": datasets}
    return {
        "$schema": _SCHEMA,
        "background": style.palette.ground or "transparent",
        "padding": 0,
        "spacing": 22,
        "description": description(answer),
        "config": {
            "font": style.layout.font,
            "view": {"stroke": None},
            "axis": _axis_config(style),
        },
        "vconcat": [
            {
                "layer": [layer.to_dict(validate=False, context=dict(context)) for layer in drawing.layers()],
                "width": style.layout.plot_px,
                "height": drawing.height_px,
            }
            for drawing in _drawings(picture, style)
        ],
        "datasets": datasets,
    }


def _drawings(picture: Picture, style: Style) -> list[PanelDrawing]:
    axis = Axis.of(picture)
    return [PanelDrawing(panel=panel, picture=picture, axis=axis, style=style) for panel in picture.panels]


def _axis_config(style: Style) -> dict[str, Any]:
    layout, palette = style.layout, style.palette
    size_px = layout.text_px - 0.5 if layout.is_whole else layout.small_px
    config = {
        "labelColor": palette.ink,
        "titleColor": palette.ink,
        "labelFontSize": size_px,
        "titleFontSize": size_px,
        "titleFontWeight": "normal",
    }
    if not layout.is_whole:
        config |= {"domainColor": palette.grey, "tickColor": palette.grey}
    return config


def _title(answer: Answer) -> "alt.TitleParams":
    import altair as alt

    return alt.TitleParams(
        text=wrapped(plain(answer.headline), TITLE_LETTERS),
        subtitle=wrapped(second_line(answer), SUBTITLE_LETTERS),
        anchor="start",
        frame="bounds",
        fontSize=13,
        subtitleFontSize=10.5,
        subtitleColor=INK,
        offset=14,
        color=INK,
    )


def _legend(answer: Answer, picture: Picture) -> "alt.LayerChart | alt.FacetChart":
    """Tell the signs in words, then how to read the picture and what it leaves out."""
    import altair as alt

    signs = (
        ("a landing: body and lens together", "a doubted reading", f"tolerance {picture.tolerance_text}"),
        ("an estimate, 95 %; heavy when it is out", "the body's own line", "the mark, 0 µm"),
    )
    notes = wrapped(" ".join(_notes(answer, picture)), LEGEND_LETTERS)
    texts = [
        _text(left_px + SIGN_PX + 6, line, words)
        for line, row in enumerate(signs)
        for left_px, words in zip(COLUMNS_PX, row, strict=True)
    ]
    texts += [_text(0, line, words) for line, words in enumerate(notes, len(signs))]
    height = LINE_PX * (len(signs) + len(notes) - 1)
    return alt.layer(*_signs(), *texts).properties(width=PLOT_PX, height=height)


def _signs() -> Iterator["alt.Chart"]:
    """Draw the signs that the legend tells."""
    first, second, third = COLUMNS_PX
    middle = SIGN_PX / 2
    yield diamond(_sign(first + middle, 0))
    yield cross(_sign(second + middle, 0))
    yield _sign(third, 0, to_px=third + SIGN_PX).mark_rule(color=TINT, strokeWidth=11)
    yield _sign(first, 1, to_px=first + SIGN_PX).mark_rule(color=INK, strokeWidth=1.4)
    yield _sign(first + middle, 1).mark_tick(orient="vertical", color=INK, thickness=2.4, size=10, opacity=1)
    yield _sign(second, 1, to_px=second + SIGN_PX).mark_rule(color=INK, strokeDash=[2, 3], strokeWidth=1.4)
    yield _sign(third, 1, to_px=third + SIGN_PX).mark_rule(color=INK)


def _sign(left_px: float, line: int, *, to_px: float | None = None) -> "alt.Chart":
    """Give a chart of one mark, so far from the figure's left edge and on this line of the legend."""
    chart = inline([{}]).encode(x=x_px(left_px - LABEL_PX), y=y_px(line * LINE_PX))
    return chart if to_px is None else chart.encode(x2=x2_px(to_px - LABEL_PX))


def _text(left_px: float, line: int, words: str) -> "alt.Chart":
    chart: alt.Chart = _sign(left_px, line).mark_text(text=words, align="left", fontSize=10, color=INK)
    return chart


def _notes(answer: Answer, picture: Picture) -> Iterator[str]:
    yield (
        "If the landings follow the body's own line, it is the body. If one row stands apart from that line, "
        "it is that lens: what lies between is the lens's own error."
    )
    rows = [row for panel in picture.panels for row in panel.rows]
    if any(len(row.kept_um) > MOST_PER_ROW for row in rows):
        yield (
            f"Of {counted(len(answer.readings), 'reading')}, {MOST_PER_ROW} are drawn in a row at most, "
            "evenly through their order."
        )
    if picture.more_bodies:
        yield f"Not drawn: {counted(picture.more_bodies, 'more body')}."
