"""One panel of the verdict's figure: a body and its lenses, in the inks and measures of its style."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.inference.model.judged_names import parted_name
from shimwise.inference.verdict.answer import BodyAnswer
from shimwise.inference.verdict.unit_state import StateCode
from shimwise.sheets.pictures.marks import DASHED, Spec, grouped, mark, quantity, reading_mark, signed_axis
from shimwise.sheets.pictures.picture import Bar, Panel, Picture, Row
from shimwise.sheets.pictures.style import FigureLayout, Palette, Style
from shimwise.sheets.words.shared import (
    capital,
    counted,
    error_text,
    fitted,
    is_out,
    plain,
    signed_text,
    titled,
)
from shimwise.sheets.words.state_words import STATE_WORDS

AXIS_TITLE = "landing, µm at the sensor"
LABEL_CELLS, LEAST_CELLS = 20, 6
"""The longest name that is written in full, and the least that is left of one."""
MOST_PER_ROW, MOST_DOUBTED_PER_ROW = 60, 20
"""Of more landings in a row, so many are drawn, evenly through their order."""
CROWDED = 15
"""With more landings than this in a row, they are drawn fainter, so that a crowd shows as darker."""
WIDE_PX, TICKS, FEW_TICKS = 300, 7, 5
"""A plot narrower than this has fewer ticks. [px]"""
FREE_SHARES = (0.1, 0.25, 0.75, 0.9)
"""Places for words in a row, as shares of the domain."""
LETTER = 0.6
"""Width of a letter, in sizes of its type."""
ERROR_LETTERS = 5.6
"""Width of the column of errors, in sizes of its type."""
KEPT, DOUBTED = "k", "d"
SIDES = ((-1, "left"), (1, "right"))
"""Short of the mark is drawn at the left, deep at the right."""
_Datum = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelDrawing:
    """Draws one body's panel. Row 0 is the body, row i the i-th lens; above them are the words."""

    panel: Panel
    picture: Picture
    style: Style
    axis_title: str | None = AXIS_TITLE

    @property
    def palette(self) -> Palette:
        """The inks."""
        return self.style.palette

    @property
    def layout(self) -> FigureLayout:
        """The measures."""
        return self.style.layout

    @property
    def rows(self) -> tuple[Row, ...]:
        """The lenses' rows; none where nothing was read on the body."""
        return self.panel.rows if self.panel.is_read else ()

    @property
    def bottom(self) -> float:
        """Where the last row ends. [rows]"""
        return len(self.rows) + 0.5 + (0.8 if self.panel.more_lenses else 0.0)

    def spec(self) -> Spec:
        """Return the panel as a part of a Vega-Lite specification: its layers from the ground up."""
        parts = (self._grounds, self._bars, self._readings, self._beyond, self._texts, self._heading)
        return {
            "layer": [layer for part in parts for layer in part()],
            "width": self.layout.plot_px,
            "height": self.layout.row_px * (self.bottom - self.layout.top_row),
        }

    def _x(self, field: str = "um") -> Spec:
        ticks = TICKS if self.layout.plot_px >= WIDE_PX else FEW_TICKS
        return quantity(field, self.picture.domain_um, signed_axis(self.axis_title, ticks=ticks))

    def _y(self) -> Spec:
        return quantity("row", (self.bottom, self.layout.top_row))

    def _grounds(self) -> Iterator[Spec]:
        """Draw what runs through all rows: the body's interval, the tolerance, zero and the body's line."""
        body, bar = self.panel.body, self.panel.bar
        if bar and self.palette.band:
            yield self._band(bar.low_um, bar.high_um, self.palette.band)
        yield self._band(-body.tolerance_um, body.tolerance_um, self.palette.tint)
        yield self._line(0.0, color=self.palette.zero)
        if bar and self.picture.holds(bar.at_um):
            yield self._line(bar.at_um, color=self._ink_of(body), strokeDash=DASHED, strokeWidth=1.4)

    def _band(self, low_um: float, high_um: float, ink: str) -> Spec:
        ends = {"um": self.picture.drawn_um(low_um), "um2": self.picture.drawn_um(high_um)}
        values = [{**ends, **strip} for strip in self._strips()]
        return mark("rect", values, x=self._x(), x2="um2", y=self._y(), y2="row2", color=ink)

    def _line(self, um: float, **look: Any) -> Spec:  # noqa: ANN401 - properties of a mark
        values = [{"um": um, **strip} for strip in self._strips()]
        return mark("rule", values, x=self._x(), y=self._y(), y2="row2", **look)

    def _strips(self) -> list[_Datum]:
        """Return where the plot is: over all rows, or a strip for each row where names are between."""
        rise, fall = self.layout.strip_rise, self.layout.strip_fall
        if rise is None:
            return [{"row": self.layout.band_row, "row2": self.bottom}]
        strips = [{"row": number - rise, "row2": number + fall} for number in range(len(self.rows) + 1)]
        if not self.panel.more_lenses:
            strips[-1]["row2"] = self.bottom
        return strips

    def _ink_of(self, unit: BodyAnswer) -> str:
        """Return the ink of a unit: that of its side when it is out."""
        return self.palette.of(unit.error_um) if is_out(unit) else self.palette.ink

    def _bars(self) -> Iterator[Spec]:
        fall = self.layout.bar_fall
        bars = [(self.layout.body_fall, self.panel.bar, self.panel.body)]
        bars += [(number + fall, row.bar, row.lens) for number, row in enumerate(self.rows, 1)]
        values = [self._bar_datum(row, bar, unit) for row, bar, unit in bars if bar]
        yield from self._own_errors()
        width = {"field": "thickness", "type": "quantitative", "scale": None, "legend": None}
        tick_px = 10 if self.layout.is_whole else 14
        look: Spec = {"orient": "vertical", "thickness": 2.4, "size": tick_px, "opacity": 1}
        for ink, inked in grouped(values, "ink"):
            by = {"strokeWidth": width}
            yield mark("rule", inked, x=self._x("low"), x2="high", y=self._y(), by=by, color=ink)
            centres = [value for value in inked if self.picture.holds(value["um"])]
            yield mark("tick", centres, x=self._x(), y=self._y(), color=ink, **look)

    def _own_errors(self) -> Iterator[Spec]:
        """Draw from the body's line to the estimate of a lens that is out: that way is its own error."""
        body = self.panel.bar
        if body is None or not self.picture.holds(body.at_um):
            return
        ways = [
            {
                "row": number + self.layout.bar_fall,
                "um": body.at_um,
                "um2": self.picture.drawn_um(row.bar.at_um),
                "ink": self._ink_of(row.lens),
            }
            for number, row in enumerate(self.rows, 1)
            if row.bar and is_out(row.lens)
        ]
        for ink, inked in grouped(ways, "ink"):
            look: Spec = {"color": ink, "strokeDash": [1, 2], "strokeWidth": 1.2}
            yield mark("rule", inked, x=self._x(), x2="um2", y=self._y(), **look)

    def _bar_datum(self, row: float, bar: Bar, unit: BodyAnswer) -> _Datum:
        return {
            "row": row,
            "um": bar.at_um,
            "low": self.picture.drawn_um(bar.low_um),
            "high": self.picture.drawn_um(bar.high_um),
            "thickness": (3.0 if is_out(unit) else 1.4) * (1.0 if self.layout.is_whole else 1.3),
            "ink": self._ink_of(unit),
        }

    def _places(self) -> list[tuple[float, Row]]:
        """Return each lens's row with the place of its landings. [rows]"""
        return [(number - self.layout.reading_rise, row) for number, row in enumerate(self.rows, 1)]

    def _readings(self) -> Iterator[Spec]:
        for is_doubted, is_crowded in ((False, False), (False, True), (True, False)):
            values = [
                {"row": place, "um": um}
                for place, row in self._places()
                for um in self._shown_um(row, is_doubted=is_doubted, is_crowded=is_crowded)
            ]
            if values:
                yield self._sign(values, self._x(), is_doubted=is_doubted, is_crowded=is_crowded)

    def _shown_um(self, row: Row, *, is_doubted: bool, is_crowded: bool) -> Sequence[float]:
        if not is_doubted and (len(row.kept_um) > CROWDED) is not is_crowded:
            return ()
        values_um, most = (
            (row.doubted_um, MOST_DOUBTED_PER_ROW) if is_doubted else (row.kept_um, MOST_PER_ROW)
        )
        return _thinned([um for um in values_um if self.picture.holds(um)], most)

    def _sign(
        self,
        values: Sequence[_Datum],
        x: Spec | float,
        *,
        is_doubted: bool,
        is_crowded: bool = False,
        shift_px: float = 0.0,
    ) -> Spec:
        """Mark readings, kept or doubted."""
        return reading_mark(
            values,
            x=x,
            y=self._y(),
            is_doubted=is_doubted,
            is_crowded=is_crowded,
            shift_px=shift_px,
            palette=self.palette,
            size_px2=self.layout.mark_px2,
        )

    def _beyond(self) -> Iterator[Spec]:
        """Point out of the plot where landings lie beyond it, and write how far they lie."""
        apart_px = 11 if self.layout.is_whole else 15
        fall = self.layout.reading_rise + self.layout.bar_fall
        for side, way in SIDES:
            found = [one for place, row in self._places() if (one := self._beyond_datum(place, row, side))]
            if not found:
                continue
            edge_px = 0 if side < 0 else self.layout.plot_px
            yield self._arrow(found, edge_px, way, color=self.palette.ink, size=30, xOffset=-4 * side)
            for signs, chosen in grouped(found, "signs"):
                for number, sign in enumerate(signs, 1):
                    shift_px = -(4 + apart_px * number) * side
                    yield self._sign(chosen, edge_px, is_doubted=sign == DOUBTED, shift_px=shift_px)
            for is_free, signs in dict.fromkeys((one["is_free"], one["signs"]) for one in found):
                chosen = [one for one in found if (one["is_free"], one["signs"]) == (is_free, signs)]
                # Below the signs, or beside them where the estimate's bar is drawn below.
                lower = [{**one, "row": one["row"] + fall * is_free} for one in chosen]
                inward_px = 2 if is_free else 12 + apart_px * len(signs)
                look: Spec = {"color": self.palette.ink, "fontSize": self.layout.small_px}
                look["dx"] = -inward_px * side
                yield mark("text", lower, x=edge_px, y=self._y(), words="words", align=way, **look)

    def _beyond_datum(self, place: float, row: Row, side: int) -> _Datum | None:
        end_um = self.picture.low_um if side < 0 else self.picture.high_um
        kept, doubted = (
            [um for um in values if um * side > end_um * side] for values in (row.kept_um, row.doubted_um)
        )
        beyond = [*kept, *doubted]
        if not beyond:
            return None
        words = f"{signed_text(beyond[0], comma=True)} µm" if len(beyond) == 1 else f"{len(beyond):,} beyond"
        signs = "".join((KEPT if kept else "", DOUBTED if doubted else ""))
        return {"row": place, "words": words, "signs": signs, "is_free": self._is_free(row, words, side)}

    def _is_free(self, row: Row, words: str, side: int) -> bool:
        """Return whether the estimate's bar leaves room for words at an edge of its line."""
        low, high = self.picture.domain_um
        reach_um = LETTER * self.layout.small_px * (len(words) + 1) * (high - low) / self.layout.plot_px
        if row.bar is None:
            return True
        return row.bar.low_um > low + reach_um if side < 0 else row.bar.high_um < high - reach_um

    def _arrow(self, values: Sequence[_Datum], px: float, way: str, **look: Any) -> Spec:  # noqa: ANN401
        shape = f"triangle-{way}"
        return mark("point", values, x=px, y=self._y(), shape=shape, filled=True, opacity=1, **look)

    def _texts(self) -> Iterator[Spec]:
        """Write names at the left, errors and verdicts at the right, and which rows were not read."""
        layout, ink = self.layout, self.palette.ink
        body = self.panel.body
        rows = [self._unit_datum(0, _body_words(body.name), self.panel.state, body, self.panel.bar)]
        rows += [
            self._unit_datum(n, row.name, row.state, row.lens, row.bar, short=row.short_name)
            for n, row in enumerate(self.rows, 1)
        ]
        names = [{**row, "ink": ink} for row in rows]
        names[0]["is_bold"] = True
        if self.panel.more_lenses:
            words = f"and {counted(self.panel.more_lenses, 'more lens')}"
            names.append({"row": len(self.rows) + 0.9, "words": words, "is_bold": False, "ink": ink})
        if layout.is_stacked:
            yield from self._column(names, "words", px=0, align="left")
            yield from self._column(rows, "both", px=layout.plot_px, align="right")
        else:
            middle_px = layout.plot_px + ERROR_LETTERS * layout.text_px
            yield from self._column(names, "words", px=-8, align="right")
            yield from self._column(rows, "error", px=middle_px, align="right")
            yield from self._column(rows, "verdict", px=middle_px + 8, align="left")
        unread = [place for place, row in self._places() if not row.is_read] if self.panel.is_read else [0.0]
        if unread:
            values = [{"row": place, "um": self._free_um()} for place in unread]
            look: Spec = {
                "fontSize": layout.small_px + (1 if layout.is_whole else 0),
                "color": self.palette.grey,
            }
            yield mark("text", values, x=self._x(), y=self._y(), text="not read", **look)

    def _unit_datum(
        self, row: int, name: str, state: StateCode, unit: BodyAnswer, bar: Bar | None, *, short: str = ""
    ) -> _Datum:
        """Return the words of a row; ``short``: its name without optics, which the table of units has too."""
        error, verdict = error_text(unit) if bar else "", STATE_WORDS[state]
        both = f"{error}  {verdict}".strip()
        room = LABEL_CELLS
        if self.layout.is_stacked:
            room = int(self.layout.plot_px / (LETTER * self.layout.text_px)) - len(both) - 1
            room = min(max(room, LEAST_CELLS), LABEL_CELLS)
        return {
            "row": row - self.layout.name_rise,
            "words": name if len(name) <= room else fitted(short or name, room),
            "error": error,
            "verdict": verdict,
            "both": both,
            "is_bold": is_out(unit),
            "ink": self._ink_of(unit),
        }

    def _column(self, values: Sequence[_Datum], field: str, *, px: float, align: str) -> Iterator[Spec]:
        for (is_bold, ink), chosen in grouped(values, "is_bold", "ink"):
            look: Spec = {"fontSize": self.layout.text_px, "fontWeight": "bold" if is_bold else "normal"}
            yield mark("text", chosen, x=px, y=self._y(), words=field, align=align, color=ink, **look)

    def _free_um(self) -> float:
        """Find where words are clear of the zero line and of the body's own line."""
        low, high = self.picture.domain_um
        lines = [0.0, *([self.panel.bar.at_um] if self.panel.bar else [])]
        places = [low + share * (high - low) for share in FREE_SHARES]
        return max(places, key=lambda um: min(abs(um - line) for line in lines))

    def _heading(self) -> Iterator[Spec]:
        """Write which side is short and which is deep, where the mark is, and what the figures are."""
        palette, layout = self.palette, self.layout
        plot_px, text_px = layout.plot_px, layout.text_px
        base, y = [{"row": layout.words_row, "um": 0.0}], self._y()
        inks = {"short": palette.short, "deep": palette.deep}
        for (side, way), (words, ink) in zip(SIDES, inks.items(), strict=True):
            edge_px = 4 if side < 0 else plot_px - 4
            yield self._arrow(base, edge_px, way, color=ink, size=(4 if layout.is_whole else 7) * text_px)
            look: Spec = {
                "color": ink,
                "fontWeight": "bold",
                "fontSize": text_px,
                "dx": -0.86 * text_px * side,
            }
            yield mark("text", base, x=edge_px, y=y, text=words, align=way, **look)
        low, high = self.picture.domain_um
        zero_px = plot_px * -low / (high - low)
        side_px, reach_px = 7.6 * text_px, 2.7 * text_px
        words_px = min(max(zero_px, side_px), plot_px - side_px)
        if abs(words_px - zero_px) < reach_px:
            look = {"color": palette.zero, "text": "on the mark", "fontSize": text_px}
            yield mark("text", base, x=words_px, y=y, **look)
        if not layout.is_stacked:
            title = "error ± (95 %), µm" if layout.is_whole else "own error ± 95 %, µm"
            look = {"color": palette.grey, "text": title, "fontSize": layout.small_px}
            yield mark("text", base, x=plot_px + 18, y=y, align="left", **look)


def _body_words(name: str) -> str:
    """Return a body as a row's label; that it is as before a move comes first, and is never cut off."""
    now, number = parted_name(name)
    return capital(titled("body", name)) if number is None else f"Before move {number}: {plain(now)}"


def _thinned(values: Sequence[float], most: int) -> Sequence[float]:
    """Keep ``most`` values, evenly through their order, the outermost two among them."""
    if len(values) <= most:
        return values
    ordered = sorted(values)
    return [ordered[round(place * (len(ordered) - 1) / (most - 1))] for place in range(most)]
