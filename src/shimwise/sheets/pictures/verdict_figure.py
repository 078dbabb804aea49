"""The figure of a verdict: on paper the rail in black and one tint, on a page in the inks of its theme."""

from collections.abc import Iterator, Mapping

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.pictures.marks import DASHED, Spec, figure, headed, mark, reading_mark
from shimwise.sheets.pictures.panel import MOST_PER_ROW, PanelDrawing
from shimwise.sheets.pictures.picture import MOST_BODIES, MOST_ROWS, Picture, arrange
from shimwise.sheets.pictures.style import ON_PAPER, PAPER, Style
from shimwise.sheets.words.sentences import READING_RULE, description, second_line
from shimwise.sheets.words.shared import counted, wrapped

LABEL_PX, PLOT_PX = ON_PAPER.label_px, ON_PAPER.plot_px
LEGEND_LETTERS = 118
"""How many letters fill the figure's width."""
LINE_PX, SIGN_PX, COLUMNS_PX = 16, 20, (0, 215, 365)
"""Of the legend: height of a line, width of a sign, and where its columns begin."""
SPACING_PX, PAGE_SPACING_PX = 14, 22


def verdict_figure(
    answer: Answer,
    *,
    lens_text: Mapping[str, str] | None = None,
    zoom_mm: Mapping[int, float] | None = None,
    most_bodies: int = MOST_BODIES,
    most_rows: int = MOST_ROWS,
    style: Style | None = None,
) -> Spec:
    """Draw the landings, the estimates with their 95 % intervals and the tolerance, a panel for each body.

    Parameters
    ----------
    answer : Answer
        The verdict. Of 100,000 readings some are drawn, evenly through their order in each row; the figure
        then states it.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    zoom_mm : mapping of int to float, optional
        Focal length to which a zoom was set, by the row of its reading. [mm]
    most_bodies, most_rows : int
        How many bodies, and rows of lenses in all, are drawn at most; the figure counts what is left out.
    style : Style, optional
        Inks and measures; those of paper by default, with headline and legend.

    Returns
    -------
    dict
        A Vega-Lite specification.
    """
    style = style or Style()
    picture = arrange(
        answer, lens_text=lens_text, zoom_mm=zoom_mm, most_bodies=most_bodies, most_rows=most_rows
    )
    panels = [PanelDrawing(panel=one, picture=picture, style=style).spec() for one in picture.panels]
    parts: Spec = {"vconcat": panels, "spacing": PAGE_SPACING_PX}
    if style.layout.is_whole:
        parts = {
            "vconcat": [*panels, _legend(answer, picture)],
            "spacing": SPACING_PX,
            "title": headed(answer.headline, second_line(answer)),
        }
    return figure(parts, style, description=description(answer))


def _legend(answer: Answer, picture: Picture) -> Spec:
    """Explain the signs in words, then how to read the picture and what it leaves out."""
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
    return {"layer": [*_signs(), *texts], "width": PLOT_PX, "height": height}


def _signs() -> Iterator[Spec]:
    """Draw the signs that the legend explains; the plot begins beside the names, the legend below them."""
    first, second, third = (left_px - LABEL_PX for left_px in COLUMNS_PX)
    middle, ink = SIGN_PX / 2, PAPER.ink
    yield reading_mark([{}], x=first + middle, y=0)
    yield reading_mark([{}], x=second + middle, y=0, is_doubted=True)
    yield mark("rule", [{}], x=third, x2=third + SIGN_PX, y=0, color=PAPER.tint, strokeWidth=11)
    y = LINE_PX
    yield mark("rule", [{}], x=first, x2=first + SIGN_PX, y=y, color=ink, strokeWidth=1.4)
    look: Spec = {"orient": "vertical", "thickness": 2.4, "size": 10, "opacity": 1}
    yield mark("tick", [{}], x=first + middle, y=y, color=ink, **look)
    dashed: Spec = {"strokeDash": DASHED, "strokeWidth": 1.4}
    yield mark("rule", [{}], x=second, x2=second + SIGN_PX, y=y, color=ink, **dashed)
    yield mark("rule", [{}], x=third, x2=third + SIGN_PX, y=y, color=ink)


def _text(left_px: float, line: int, words: str) -> Spec:
    look: Spec = {"text": words, "align": "left", "fontSize": 10, "color": PAPER.ink}
    return mark("text", [{}], x=left_px - LABEL_PX, y=line * LINE_PX, **look)


def _notes(answer: Answer, picture: Picture) -> Iterator[str]:
    yield READING_RULE
    rows = [row for panel in picture.panels for row in panel.rows]
    if any(len(row.kept_um) > MOST_PER_ROW for row in rows):
        yield (
            f"Of {counted(len(answer.readings), 'reading')}, {MOST_PER_ROW} are drawn in a row at most, "
            "evenly through their order."
        )
    if picture.more_bodies:
        yield f"Not drawn: {counted(picture.more_bodies, 'more body')}."
