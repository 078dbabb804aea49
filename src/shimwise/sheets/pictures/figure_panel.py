"""One panel of the figure: a body and its lenses, in the inks and measures of its style."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from shimwise.inference.verdict.answer import BodyAnswer
from shimwise.sheets.pictures.figure_marks import Axis, cross, diamond, inline, text_of, x2_of, x_px, y2_of
from shimwise.sheets.pictures.figure_style import Layout, Palette, Style
from shimwise.sheets.pictures.picture import Bar, Panel, Picture, Row
from shimwise.sheets.words.shared import (
    VERDICT_WORDS,
    capital,
    counted,
    error_text,
    fitted,
    is_out,
    signed_text,
    titled,
)

if TYPE_CHECKING:
    import altair as alt

__all__ = ["MOST_PER_ROW", "PanelDrawing"]

LABEL_CELLS = 20
"""The longest name that is written in full."""
MOST_PER_ROW, MOST_DOUBTED_PER_ROW = 60, 20
"""Of more landings in a row, so many are drawn, evenly through their order."""
CROWDED = 15
"""With more landings than this in a row, they are drawn fainter, so that a crowd shows as darker."""
KEPT, DOUBTED = "k", "d"
_Datum = dict[str, Any]
_Align = Literal["left", "right"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelDrawing:
    """Draws one body's panel. Row 0 is the body, row i the i-th lens; above them stand the words."""

    panel: Panel
    picture: Picture
    axis: Axis
    style: Style

    @property
    def palette(self) -> Palette:
        """The inks."""
        return self.style.palette

    @property
    def layout(self) -> Layout:
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

    def chart(self) -> "alt.LayerChart | alt.FacetChart":
        """Draw the panel."""
        import altair as alt

        return alt.layer(*self.layers()).properties(width=self.layout.plot_px, height=self.height_px)

    def layers(self) -> list["alt.Chart"]:
        """Draw the panel's layers, from the ground up."""
        return [
            *self._body_band(),
            self._band(),
            self._zero(),
            *self._body_line(),
            *self._bars(),
            *self._readings(),
            *self._beyond(),
            *self._texts(),
        ]

    @property
    def height_px(self) -> float:
        """How high the panel is. [px]"""
        return self.layout.row_px * (self.bottom - self.layout.top_row)

    def _x(self, field: str = "um") -> "alt.X":
        import altair as alt

        return alt.X(
            f"{field}:Q",
            scale=alt.Scale(domain=list(self.axis.domain_um), nice=False, zero=False),
            axis=alt.Axis(
                title="landing, µm at the sensor",
                grid=False,
                tickCount=7 if self.layout.plot_px >= 300 else 5,
                labelExpr="datum.value == 0 ? '0' : format(datum.value, '+')",
            ),
        )

    def _y(self, field: str = "row") -> "alt.Y":
        import altair as alt

        domain = [self.bottom, self.layout.top_row]
        return alt.Y(f"{field}:Q", scale=alt.Scale(domain=domain, nice=False, zero=False), axis=None)

    def _band(self) -> "alt.Chart":
        half = self.panel.body.tolerance_um
        ends = {"um": self.axis.drawn_um(-half), "um2": self.axis.drawn_um(half)}
        chart: alt.Chart = (
            inline([{**ends, **strip} for strip in self._strips()])
            .mark_rect(color=self.palette.tint)
            .encode(x=self._x(), x2=x2_of("um2"), y=self._y(), y2=y2_of("row2"))
        )
        return chart

    def _strips(self) -> list[_Datum]:
        """Give where the plot stands: over all rows, or a strip for each row where names stand between."""
        rise, fall = self.layout.strip_rise, self.layout.strip_fall
        if rise is None:
            return [{"row": self.layout.band_row, "row2": self.bottom}]
        strips = [{"row": number - rise, "row2": number + fall} for number in range(len(self.rows) + 1)]
        if not self.panel.more_lenses:
            strips[-1]["row2"] = self.bottom
        return strips

    def _zero(self) -> "alt.Chart":
        chart: alt.Chart = (
            inline([{"um": 0.0, **strip} for strip in self._strips()])
            .mark_rule(color=self.palette.zero)
            .encode(x=self._x(), y=self._y(), y2=y2_of("row2"))
        )
        return chart

    def _body_band(self) -> Iterator["alt.Chart"]:
        """Lay the body's 95 % interval behind all rows, where the palette has an ink for it."""
        bar = self.panel.bar
        if bar and self.palette.band:
            ends = {"um": self.axis.drawn_um(bar.low_um), "um2": self.axis.drawn_um(bar.high_um)}
            yield (
                inline([{**ends, **strip} for strip in self._strips()])
                .mark_rect(color=self.palette.band)
                .encode(x=self._x(), x2=x2_of("um2"), y=self._y(), y2=y2_of("row2"))
            )

    def _body_line(self) -> Iterator["alt.Chart"]:
        if self.panel.bar and self.axis.holds(self.panel.bar.at_um):
            values = [{"um": self.panel.bar.at_um, **strip} for strip in self._strips()]
            yield (
                inline(values)
                .mark_rule(color=self._ink_of(self.panel.body), strokeDash=[2, 3], strokeWidth=1.4)
                .encode(x=self._x(), y=self._y(), y2=y2_of("row2"))
            )

    def _ink_of(self, unit: BodyAnswer) -> str:
        """Give the ink of a unit: that of its side when it is out."""
        return self.palette.of(unit.error_um) if is_out(unit) else self.palette.ink

    def _bars(self) -> Iterator["alt.Chart"]:
        fall = self.layout.bar_fall
        bars = [(self.layout.body_fall, self.panel.bar, self.panel.body)]
        bars += [(number + fall, row.bar, row.lens) for number, row in enumerate(self.rows, 1)]
        values = [self._bar_datum(row, bar, unit) for row, bar, unit in bars if bar]
        for ink in sorted({value["ink"] for value in values}):
            inked = [value for value in values if value["ink"] == ink]
            yield (
                inline(inked)
                .mark_rule(color=ink)
                .encode(x=self._x("low"), x2=x2_of("high"), y=self._y(), strokeWidth=_value_of("thickness"))
            )
            centres = [value for value in inked if self.axis.holds(value["um"])]
            tick_px = 10 if self.layout.is_whole else 14
            yield (
                inline(centres)
                .mark_tick(orient="vertical", color=ink, thickness=2.4, size=tick_px, opacity=1)
                .encode(x=self._x(), y=self._y())
            )

    def _bar_datum(self, row: float, bar: Bar, unit: BodyAnswer) -> _Datum:
        return {
            "row": row,
            "um": bar.at_um,
            "low": self.axis.drawn_um(bar.low_um),
            "high": self.axis.drawn_um(bar.high_um),
            "thickness": (3.0 if is_out(unit) else 1.4) * (1.0 if self.layout.is_whole else 1.3),
            "ink": self._ink_of(unit),
        }

    def _readings(self) -> Iterator["alt.Chart"]:
        rows = [(number - self.layout.reading_rise, row) for number, row in enumerate(self.rows, 1)]
        kept = [
            {"row": place, "um": um, "is_crowded": len(row.kept_um) > CROWDED}
            for place, row in rows
            for um in _thinned(self._on_axis(row.kept_um), MOST_PER_ROW)
        ]
        doubted = [
            {"row": place, "um": um}
            for place, row in rows
            for um in _thinned(self._on_axis(row.doubted_um), MOST_DOUBTED_PER_ROW)
        ]
        for is_crowded in (False, True):
            if chosen := [one for one in kept if one["is_crowded"] is is_crowded]:
                yield self._sign(KEPT, inline(chosen), is_crowded=is_crowded).encode(x=self._x(), y=self._y())
        if doubted:
            yield self._sign(DOUBTED, inline(doubted)).encode(x=self._x(), y=self._y())

    def _sign(
        self, sign: str, chart: "alt.Chart", *, shift_px: float = 0.0, is_crowded: bool = False
    ) -> "alt.Chart":
        """Mark readings, kept or doubted."""
        size_px2 = self.layout.mark_px2
        if sign == DOUBTED:
            return cross(chart, shift_px=shift_px, palette=self.palette, size_px2=size_px2)
        return diamond(
            chart, shift_px=shift_px, is_crowded=is_crowded, palette=self.palette, size_px2=size_px2
        )

    def _on_axis(self, values_um: Sequence[float]) -> Sequence[float]:
        return [um for um in values_um if self.axis.holds(um)]

    def _beyond(self) -> Iterator["alt.Chart"]:
        """Point out of the plot where landings lie beyond it, and tell how far they lie."""
        for side in (-1, 1):
            rows = [(number - self.layout.reading_rise, row) for number, row in enumerate(self.rows, 1)]
            marks = [mark for place, row in rows if (mark := self._mark_beyond(place, row, side))]
            if marks:
                yield from self._marks_beyond(marks, side)

    def _mark_beyond(self, place: float, row: Row, side: int) -> _Datum | None:
        end_um = self.axis.low_um if side < 0 else self.axis.high_um
        kept, doubted = (
            [um for um in values if um * side > end_um * side] for values in (row.kept_um, row.doubted_um)
        )
        beyond = [*kept, *doubted]
        if not beyond:
            return None
        words = f"{signed_text(beyond[0], comma=True)} µm" if len(beyond) == 1 else f"{len(beyond):,} beyond"
        signs = "".join((KEPT if kept else "", DOUBTED if doubted else ""))
        return {"row": place, "words": words, "signs": signs}

    def _marks_beyond(self, marks: Sequence[_Datum], side: int) -> Iterator["alt.Chart"]:
        edge = x_px(0 if side < 0 else self.layout.plot_px)
        arrow = inline(marks).mark_point(
            shape="triangle-left" if side < 0 else "triangle-right",
            filled=True,
            color=self.palette.ink,
            size=30,
            opacity=1,
            xOffset=-4 * side,
        )
        yield arrow.encode(x=edge, y=self._y())
        for signs in sorted({mark["signs"] for mark in marks}):
            chosen = inline([mark for mark in marks if mark["signs"] == signs]).encode(x=edge, y=self._y())
            apart_px = 11 if self.layout.is_whole else 15
            for number, sign in enumerate(signs):
                yield self._sign(sign, chosen, shift_px=-(4 + apart_px * (number + 1)) * side)
        align: _Align = "left" if side < 0 else "right"
        fall = self.layout.reading_rise + self.layout.bar_fall
        words = inline([{**mark, "row": mark["row"] + fall} for mark in marks])
        yield words.mark_text(
            color=self.palette.ink, fontSize=self.layout.small_px, align=align, dx=-2 * side
        ).encode(x=edge, y=self._y(), text=text_of("words"))

    def _texts(self) -> Iterator["alt.Chart"]:
        """Write names at the left, errors and verdicts at the right, and the words above."""
        body = self.panel.body
        names = [self._name(0.0, capital(titled("body", body.name)), body)]
        numbers = [self._number(0.0, body, self.panel.bar)]
        for number, row in enumerate(self.rows, 1):
            names.append(self._name(float(number), row.name, row.lens))
            numbers.append(self._number(float(number), row.lens, row.bar))
        names[0]["is_bold"] = True
        if self.panel.more_lenses:
            words = f"and {counted(self.panel.more_lenses, 'more lens')}"
            more = {"row": len(self.rows) + 0.9, "words": words, "is_bold": False, "ink": self.palette.ink}
            names.append(more)
        plot_px = self.layout.plot_px
        if self.layout.is_stacked:
            yield from self._column(names, "words", px=0, align="left")
            yield from self._column(numbers, "both", px=plot_px, align="right")
        else:
            middle_px = 0.56 * (self.layout.number_px - 14)
            yield from self._column(names, "words", px=-8, align="right")
            yield from self._column(numbers, "error", px=plot_px + middle_px, align="right")
            yield from self._column(numbers, "verdict", px=plot_px + middle_px + 8, align="left")
        yield from self._not_read()
        yield from self._heading()

    def _name(self, row: float, words: str, unit: BodyAnswer) -> _Datum:
        return {
            "row": row - self.layout.name_rise,
            "words": fitted(words, LABEL_CELLS),
            "is_bold": is_out(unit),
            "ink": self.palette.ink,
        }

    def _number(self, row: float, unit: BodyAnswer, bar: Bar | None) -> _Datum:
        error, verdict = error_text(unit) if bar else "", VERDICT_WORDS[unit.verdict]
        return {
            "row": row - self.layout.name_rise,
            "error": error,
            "verdict": verdict,
            "both": f"{error}  {verdict}".strip(),
            "is_bold": is_out(unit),
            "ink": self._ink_of(unit),
        }

    def _column(
        self, values: Sequence[_Datum], field: str, *, px: float, align: _Align
    ) -> Iterator["alt.Chart"]:
        for is_bold, ink in sorted({(value["is_bold"], value["ink"]) for value in values}):
            chosen = [value for value in values if (value["is_bold"], value["ink"]) == (is_bold, ink)]
            weight: Literal["normal", "bold"] = "bold" if is_bold else "normal"
            yield (
                inline(chosen)
                .mark_text(align=align, fontSize=self.layout.text_px, color=ink, fontWeight=weight)
                .encode(x=x_px(px), y=self._y(), text=text_of(field))
            )

    def _not_read(self) -> Iterator["alt.Chart"]:
        places = [
            number - self.layout.reading_rise for number, row in enumerate(self.rows, 1) if not row.is_read
        ]
        if not self.panel.is_read:
            places = [0.0]
        if places:
            values = [{"row": place, "um": self._free_um()} for place in places]
            size_px = self.layout.small_px + (1 if self.layout.is_whole else 0)
            words = inline(values).mark_text(fontSize=size_px, color=self.palette.grey, text="not read")
            yield words.encode(x=self._x(), y=self._y())

    def _free_um(self) -> float:
        """Find where words stand clear of the zero line and of the body's own line."""
        low, high = self.axis.domain_um
        lines = [0.0, *([self.panel.bar.at_um] if self.panel.bar else [])]
        places = [low + share * (high - low) for share in (0.1, 0.25, 0.75, 0.9)]
        return max(places, key=lambda um: min(abs(um - line) for line in lines))

    def _heading(self) -> Iterator["alt.Chart"]:
        plot_px, text_px = self.layout.plot_px, self.layout.text_px
        base = inline([{"row": self.layout.words_row, "um": 0.0}]).encode(y=self._y())
        for side, (words, ink) in {-1: ("short", self.palette.short), 1: ("deep", self.palette.deep)}.items():
            edge = x_px(4 if side < 0 else plot_px - 4)
            yield base.mark_point(
                shape="triangle-left" if side < 0 else "triangle-right",
                filled=True,
                color=ink,
                size=(4 if self.layout.is_whole else 7) * text_px,
                opacity=1,
            ).encode(x=edge)
            align: _Align = "left" if side < 0 else "right"
            yield base.mark_text(
                color=ink,
                text=words,
                align=align,
                dx=-0.86 * text_px * side,
                fontWeight="bold",
                fontSize=text_px,
            ).encode(x=edge)
        zero_px = self.axis.px(0.0, plot_px=plot_px)
        side_px, reach_px = 7.6 * text_px, 2.7 * text_px
        words_px = min(max(zero_px, side_px), plot_px - side_px)
        if abs(words_px - zero_px) < reach_px:
            yield base.mark_text(color=self.palette.zero, text="on the mark", fontSize=text_px).encode(
                x=x_px(words_px)
            )
        if not self.layout.is_stacked:
            yield base.mark_text(
                color=self.palette.grey,
                text="error ± (95 %), µm" if self.layout.is_whole else "own error ± 95 %, µm",
                align="left",
                fontSize=self.layout.small_px,
            ).encode(x=x_px(plot_px + 18))


def _value_of(field: str) -> Any:  # noqa: ANN401 - altair's channel of a line's width
    import altair as alt

    return alt.StrokeWidth(f"{field}:Q", scale=None, legend=None)


def _thinned(values: Sequence[float], most: int) -> Sequence[float]:
    """Keep ``most`` values, evenly through their order, the outermost two among them."""
    if len(values) <= most:
        return values
    ordered = sorted(values)
    return [ordered[round(place * (len(ordered) - 1) / (most - 1))] for place in range(most)]
