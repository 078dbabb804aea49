"""The rail: a picture of the landings in text, microns at the sensor across, the camera at the left."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer, BodyAnswer
from shimwise.sheets.pictures.picture import Bar, Panel, Picture, Row, arrange
from shimwise.sheets.terminal.canvas import (
    ASCII,
    BOLD_STYLE,
    DEEP_STYLE,
    DIM_STYLE,
    SHORT_STYLE,
    UNICODE,
    Canvas,
    Glyphs,
    verdict_style,
)
from shimwise.sheets.terminal.scale import EDGE, Scale, choose_scale
from shimwise.sheets.words.sentences import READING_RULE
from shimwise.sheets.words.shared import (
    ascii_text,
    capital,
    counted,
    error_text,
    fitted,
    signed_text,
    titled,
    wrapped,
)

LEAST_WIDTH, MOST_WIDTH = 60, 160
"""The widths that a rail can have. [terminal cells]"""
AXIS_LABEL = "µm at the sensor"
LABEL_PERCENT = 36
"""The most that names and numbers take of the width."""
MANY = 10
"""From this many readings in one place on, a sign replaces the digit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """The picture, line by line, styled and plain; and its scale, whose cell 0 is column ``left_column``."""

    styled: tuple[Text, ...]
    scale: Scale
    left_column: int

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines without style."""
        return tuple(line.plain for line in self.styled)


def draw_rail(
    answer: Answer,
    *,
    width: int = 80,
    lens_text: Mapping[str, str] | None = None,
    zoom_mm: Mapping[int, float] | None = None,
    is_ascii: bool = False,
) -> Rail:
    """Draw the landings of an answer as text.

    Each body has a panel. Its first line is the body, and the body's own line runs through all rows. Each
    lens has a line: its landings (body and lens together) over its estimate, which is drawn where its
    landings are expected: the way from the body's line to that bar is the lens's own error. One axis, below
    the last panel, is for all.

    Parameters
    ----------
    answer : Answer
        The judge's answer.
    width : int
        Width of the picture, 60 to 160. [terminal cells]
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    zoom_mm : mapping of int to float, optional
        Focal length to which a zoom was set, by the row of its reading. [mm]
    is_ascii : bool
        Whether to draw in ASCII.

    Returns
    -------
    Rail
        No line is wider than ``width``.

    Raises
    ------
    SheetError
        When the width is out of its range.
    """
    if not LEAST_WIDTH <= width <= MOST_WIDTH:
        raise SheetError(
            f"A rail {width} columns wide cannot be drawn: it takes {LEAST_WIDTH} to {MOST_WIDTH}. "
            "Change the width of the terminal."
        )
    picture = arrange(answer, lens_text=lens_text, zoom_mm=zoom_mm)
    label_cells = _label_cells(picture, width)
    scale = choose_scale(picture.low_um, picture.high_um, cells=width - label_cells - 1)
    painter = _Painter(picture=picture, scale=scale, label_cells=label_cells, is_ascii=is_ascii)
    return Rail(styled=tuple(painter.lines(width)), scale=scale, left_column=label_cells + 1)


def _label_cells(picture: Picture, width: int) -> int:
    rows = [(row.name, _error(row.bar, row.lens)) for panel in picture.panels for row in panel.rows]
    bodies = [
        (capital(titled("body", panel.body.name)), _error(panel.bar, panel.body)) for panel in picture.panels
    ]
    widest = max(cell_len(AXIS_LABEL), *(cell_len(f"{name}  {error}") for name, error in (*rows, *bodies)))
    return min(widest, max(len(AXIS_LABEL), LABEL_PERCENT * width // 100))


def _error(bar: Bar | None, unit: BodyAnswer) -> str:
    """Return what is written beside a name: the error of a unit whose bar is drawn."""
    return error_text(unit) if bar else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Painter:
    """Draws a picture on a scale."""

    picture: Picture
    scale: Scale
    label_cells: int
    is_ascii: bool

    @property
    def glyphs(self) -> Glyphs:
        return ASCII if self.is_ascii else UNICODE

    def lines(self, width: int) -> Iterator[Text]:
        yield self._line("", self._heading())
        for number, panel in enumerate(self.picture.panels):
            if number:
                yield Text("")
            yield from self._panel(panel)
        yield self._line("", self._axis(), style=DIM_STYLE)
        yield self._line(AXIS_LABEL, self._ticks(), style=DIM_STYLE, is_right=True)
        if self.picture.more_bodies:
            yield Text(f"and {counted(self.picture.more_bodies, 'more body')}, not drawn", DIM_STYLE)
        yield from self._legend(width)

    def _panel(self, panel: Panel) -> Iterator[Text]:
        name, error = capital(titled("body", panel.body.name)), _error(panel.bar, panel.body)
        style = verdict_style(panel.body.verdict) or BOLD_STYLE
        yield self._line(self._label(name, error), self._body(panel), style=style)
        for row in panel.rows if panel.is_read else ():
            yield self._row(panel, row)
        if panel.more_lenses:
            yield self._line(f"and {panel.more_lenses:,} more", self._ground(panel), style=DIM_STYLE)

    def _row(self, panel: Panel, row: Row) -> Text:
        canvas = self._ground(panel)
        if row.bar or row.is_read:
            self._put_bar(canvas, row.bar, row.lens)
            self._put_body_line(canvas, panel)
        self._put_readings(canvas, row)
        error = _error(row.bar, row.lens)
        name = row.name if self._fits(row.name, error) else row.short_name
        return self._line(self._label(name, error), canvas, style=verdict_style(row.lens.verdict))

    def _fits(self, name: str, error: str) -> bool:
        return cell_len(f"{name}  {error}") <= self.label_cells

    def _label(self, name: str, error: str) -> str:
        """Return a name at the left and its error at the right of the column."""
        room = self.label_cells - cell_len(error) - 2 * bool(error)
        words = fitted(name, room, is_ascii=self.is_ascii)
        numbers = ascii_text(error) if self.is_ascii else error
        pad = self.label_cells - cell_len(words) - cell_len(numbers)
        return f"{words}{' ' * pad}{numbers}"

    def _line(self, label: str, canvas: Canvas, *, style: str = "", is_right: bool = False) -> Text:
        words = fitted(label, self.label_cells, is_ascii=self.is_ascii)
        pad = " " * (self.label_cells - cell_len(words))
        line = Text()
        line.append(f"{pad}{words}" if is_right else f"{words}{pad}", style)
        line.append(" ")
        for sign, sign_style in canvas.cells:
            line.append(sign, sign_style)
        line.rstrip()
        return line

    def _canvas(self) -> Canvas:
        return Canvas(self.scale, self.glyphs)

    def _heading(self) -> Canvas:
        canvas, glyphs = self._canvas(), self.glyphs
        canvas.text(0, glyphs.short, SHORT_STYLE)
        canvas.text(self.scale.cells - len(glyphs.deep), glyphs.deep, DEEP_STYLE)
        words = "on the mark"
        least, most = len(glyphs.short) + 2, self.scale.cells - len(glyphs.deep) - 2 - len(words)
        start = max(least, min(self.scale.zero_cell - len(words) // 2, most))
        if start <= min(most, self.scale.zero_cell) and self.scale.zero_cell < start + len(words):
            canvas.text(start, words)
        return canvas

    def _ground(self, panel: Panel) -> Canvas:
        """Draw what runs through all rows: the tolerance, the zero line and the body's own line."""
        canvas = self._canvas()
        low, high = (self.scale.cell(side * panel.body.tolerance_um) for side in (-1, 1))
        for cell in range(max(low, EDGE), min(high, self.scale.cells - EDGE - 1) + 1):
            canvas.put(cell, self.glyphs.band, DIM_STYLE)
        canvas.put(self.scale.zero_cell, self.glyphs.zero)
        self._put_body_line(canvas, panel)
        return canvas

    def _put_body_line(self, canvas: Canvas, panel: Panel) -> None:
        """Draw the body's own line, over bars but not over the centre of one."""
        if panel.bar is None or not self.scale.holds(cell := self.scale.cell(panel.bar.at_um)):
            return
        if canvas.cells[cell][0] != self.glyphs.centre:
            canvas.put(cell, self.glyphs.body_line, verdict_style(panel.body.verdict) or BOLD_STYLE)

    def _body(self, panel: Panel) -> Canvas:
        canvas = self._ground(panel)
        if panel.is_read or panel.bar:
            self._put_bar(canvas, panel.bar, panel.body)
        if not panel.is_read:
            self._put_not_read(canvas)
        return canvas

    def _put_bar(self, canvas: Canvas, bar: Bar | None, unit: BodyAnswer) -> None:
        if bar is None:
            return
        style, glyphs, scale = verdict_style(unit.verdict), self.glyphs, self.scale
        low, at, high = (scale.cell(um) for um in (bar.low_um, bar.at_um, bar.high_um))
        for cell in range(max(low, EDGE), min(high, scale.cells - EDGE - 1) + 1):
            canvas.put(cell, glyphs.bar, style)
        for end in (low, high):
            if not scale.holds(end):
                canvas.mark(end, glyphs.bar, style)
        canvas.mark(at, glyphs.centre, style)

    def _put_readings(self, canvas: Canvas, row: Row) -> None:
        if not row.is_read:
            self._put_not_read(canvas)
        last = self.scale.cells
        cells = Counter(min(max(self.scale.cell(um), -1), last) for um in row.kept_um)
        for cell, count in cells.items():
            sign = self.glyphs.reading if count == 1 else str(count) if count < MANY else self.glyphs.many
            canvas.mark(cell, sign, BOLD_STYLE)
        for um in row.doubted_um:
            canvas.mark(self.scale.cell(um), self.glyphs.doubted, BOLD_STYLE)

    def _put_not_read(self, canvas: Canvas) -> None:
        """Write "not read" left of the tolerance, or right of it where there is more room."""
        low, high = (self.scale.cell(side * self.picture.tolerance_um) for side in (-1, 1))
        words = "not read"
        is_left = low - EDGE >= self.scale.cells - high
        start = low - len(words) - 1 if is_left else high + 2
        canvas.text(min(max(start, EDGE), self.scale.cells - len(words)), words, DIM_STYLE)

    def _axis(self) -> Canvas:
        canvas = self._canvas()
        for cell in range(EDGE, self.scale.cells - EDGE):
            canvas.put(cell, self.glyphs.axis, DIM_STYLE)
        for cell, _ in self._tick_cells():
            canvas.put(cell, self.glyphs.tick, DIM_STYLE)
        return canvas

    def _ticks(self) -> Canvas:
        canvas, free_from = self._canvas(), 0
        digits = max(0, -math.floor(math.log10(self.scale.tick_um)))
        for cell, um in self._tick_cells():
            words = signed_text(um, digits=digits) if um else "0"
            words = ascii_text(words) if self.is_ascii else words
            start = cell - len(words) // 2
            if free_from <= start <= self.scale.cells - len(words):
                canvas.text(start, words, DIM_STYLE)
                free_from = start + len(words) + 1
        return canvas

    def _tick_cells(self) -> Iterator[tuple[int, float]]:
        scale = self.scale
        apart = round(scale.tick_um / scale.um_per_cell)
        first = -((scale.zero_cell - EDGE) // apart)
        for number in range(first, (scale.cells - EDGE - 1 - scale.zero_cell) // apart + 1):
            yield scale.zero_cell + number * apart, number * scale.tick_um

    def _legend(self, width: int) -> Iterator[Text]:
        glyphs = self.glyphs
        rows = [row for panel in self.picture.panels for row in panel.rows]
        cells = [[self.scale.cell(um) for um in row.kept_um] for row in rows]
        items = [f"{glyphs.reading} a landing (body and lens)"]
        counts = {count for row in cells for count in Counter(row).values()}
        if any(1 < count < MANY for count in counts):
            items.append("2 to 9: so many")
        if any(count >= MANY for count in counts):
            items.append(f"{glyphs.many} ten or more")
        if any(row.doubted_um for row in rows):
            items.append(f"{glyphs.doubted} doubted")
        items.append(f"{glyphs.bar}{glyphs.centre}{glyphs.bar} an estimate, 95 %")
        items.append(f"{glyphs.body_line} the body's line")
        items.append(f"{glyphs.band} {self.picture.tolerance_text}")
        if self._has_marks_beyond():
            items.append(f"{glyphs.beyond_left} {glyphs.beyond_right} beyond the scale")
        if self.is_ascii:
            items = [ascii_text(item) for item in items]
        for line in (*_flowed(items, width), *wrapped(READING_RULE, width)):
            yield Text(line, DIM_STYLE)

    def _has_marks_beyond(self) -> bool:
        panels = self.picture.panels
        rows = [row for panel in panels for row in panel.rows]
        bars = [bar for bar in (*(panel.bar for panel in panels), *(row.bar for row in rows)) if bar]
        marks = [um for row in rows for um in (*row.kept_um, *row.doubted_um)]
        ends = [end for bar in bars for end in (bar.low_um, bar.high_um)]
        return not all(self.scale.holds(self.scale.cell(um)) for um in (*marks, *ends))


def _flowed(items: Iterable[str], width: int) -> Iterator[str]:
    """Put items into lines no wider than ``width``."""
    line = ""
    for item in items:
        longer = f"{line}   {item}" if line else item
        if line and cell_len(longer) > width:
            yield line
            longer = item
        line = longer
    yield line
