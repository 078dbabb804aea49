"""One panel of the figure: a body and its lenses, in black and one tint."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from shimwise.inference.answer import BodyAnswer
from shimwise.sheets.figure_marks import (
    GREY,
    INK,
    PLOT_PX,
    TINT,
    Axis,
    cross,
    diamond,
    inline,
    text_of,
    x2_of,
    x_px,
    y2_of,
)
from shimwise.sheets.picture import Bar, Panel, Picture, Row
from shimwise.sheets.words import (
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

ROW_PX = 25
LABEL_CELLS = 20
"""The longest name that is written in full."""
MOST_PER_ROW, MOST_DOUBTED_PER_ROW = 60, 20
"""Of more landings in a row, so many are drawn, evenly through their order."""
CROWDED = 15
"""With more landings than this in a row, they are drawn fainter, so that a crowd shows as darker."""
KEPT, DOUBTED = "k", "d"
READING_RISE, BAR_FALL = 0.2, 0.2
"""How far landings lie above the middle of their row, and the estimate below. [rows]"""
WORDS_ROW = -0.95
"""Where the words stand above the rows. [rows]"""
_Datum = dict[str, Any]
_Align = Literal["left", "right"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelDrawing:
    """Draws one body's panel. Row 0 is the body, row i the i-th lens; above them stand the words."""

    panel: Panel
    picture: Picture
    axis: Axis

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

        layers = [
            self._band(),
            self._zero(),
            *self._body_line(),
            *self._bars(),
            *self._readings(),
            *self._beyond(),
            *self._texts(),
        ]
        height = ROW_PX * (self.bottom + 1.3)
        return alt.layer(*layers).properties(width=PLOT_PX, height=height)

    def _x(self, field: str = "um") -> "alt.X":
        import altair as alt

        return alt.X(
            f"{field}:Q",
            scale=alt.Scale(domain=list(self.axis.domain_um), nice=False, zero=False),
            axis=alt.Axis(
                title="landing, µm at the sensor",
                grid=False,
                tickCount=7,
                labelExpr="datum.value == 0 ? '0' : format(datum.value, '+')",
            ),
        )

    def _y(self, field: str = "row") -> "alt.Y":
        import altair as alt

        domain = [self.bottom, -1.3]
        return alt.Y(f"{field}:Q", scale=alt.Scale(domain=domain, nice=False, zero=False), axis=None)

    def _band(self) -> "alt.Chart":
        half = self.picture.tolerance_um
        values = [{"um": self.axis.drawn_um(-half), "um2": self.axis.drawn_um(half), **self._full_height()}]
        chart: alt.Chart = (
            inline(values)
            .mark_rect(color=TINT)
            .encode(x=self._x(), x2=x2_of("um2"), y=self._y(), y2=y2_of("row2"))
        )
        return chart

    def _full_height(self) -> _Datum:
        return {"row": -0.6, "row2": self.bottom}

    def _zero(self) -> "alt.Chart":
        chart: alt.Chart = (
            inline([{"um": 0.0, **self._full_height()}])
            .mark_rule(color=INK)
            .encode(x=self._x(), y=self._y(), y2=y2_of("row2"))
        )
        return chart

    def _body_line(self) -> Iterator["alt.Chart"]:
        if self.panel.bar and self.axis.holds(self.panel.bar.at_um):
            values = [{"um": self.panel.bar.at_um, **self._full_height()}]
            yield (
                inline(values)
                .mark_rule(color=INK, strokeDash=[2, 3], strokeWidth=1.4)
                .encode(x=self._x(), y=self._y(), y2=y2_of("row2"))
            )

    def _bars(self) -> Iterator["alt.Chart"]:
        bars = [(0.0, self.panel.bar, self.panel.body)]
        bars += [(number + BAR_FALL, row.bar, row.lens) for number, row in enumerate(self.rows, 1)]
        values = [self._bar_datum(row, bar, unit) for row, bar, unit in bars if bar]
        if not values:
            return
        yield (
            inline(values)
            .mark_rule(color=INK)
            .encode(x=self._x("low"), x2=x2_of("high"), y=self._y(), strokeWidth=_value_of("thickness"))
        )
        centres = [value for value in values if self.axis.holds(value["um"])]
        yield (
            inline(centres)
            .mark_tick(orient="vertical", color=INK, thickness=2.4, size=0.4 * ROW_PX, opacity=1)
            .encode(x=self._x(), y=self._y())
        )

    def _bar_datum(self, row: float, bar: Bar, unit: BodyAnswer) -> _Datum:
        return {
            "row": row,
            "um": bar.at_um,
            "low": self.axis.drawn_um(bar.low_um),
            "high": self.axis.drawn_um(bar.high_um),
            "thickness": 3.0 if is_out(unit) else 1.4,
        }

    def _readings(self) -> Iterator["alt.Chart"]:
        rows = [(number - READING_RISE, row) for number, row in enumerate(self.rows, 1)]
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
                yield diamond(inline(chosen), is_crowded=is_crowded).encode(x=self._x(), y=self._y())
        if doubted:
            yield cross(inline(doubted)).encode(x=self._x(), y=self._y())

    def _on_axis(self, values_um: Sequence[float]) -> Sequence[float]:
        return [um for um in values_um if self.axis.holds(um)]

    def _beyond(self) -> Iterator["alt.Chart"]:
        """Point out of the plot where landings lie beyond it, and tell how far they lie."""
        for side in (-1, 1):
            rows = [(number - READING_RISE, row) for number, row in enumerate(self.rows, 1)]
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
        words = f"{signed_text(beyond[0])} µm" if len(beyond) == 1 else f"{len(beyond):,} beyond"
        signs = "".join((KEPT if kept else "", DOUBTED if doubted else ""))
        return {"row": place, "words": words, "signs": signs}

    def _marks_beyond(self, marks: Sequence[_Datum], side: int) -> Iterator["alt.Chart"]:
        edge = x_px(0 if side < 0 else PLOT_PX)
        arrow = inline(marks).mark_point(
            shape="triangle-left" if side < 0 else "triangle-right",
            filled=True,
            color=INK,
            size=30,
            opacity=1,
            xOffset=-4 * side,
        )
        yield arrow.encode(x=edge, y=self._y())
        for signs in sorted({mark["signs"] for mark in marks}):
            chosen = inline([mark for mark in marks if mark["signs"] == signs]).encode(x=edge, y=self._y())
            for number, sign in enumerate(signs):
                draw = diamond if sign == KEPT else cross
                yield draw(chosen, shift_px=-(15 + 11 * number) * side)
        align: _Align = "left" if side < 0 else "right"
        words = inline([{**mark, "row": mark["row"] + READING_RISE + BAR_FALL} for mark in marks])
        yield words.mark_text(color=INK, fontSize=9, align=align, dx=-2 * side).encode(
            x=edge, y=self._y(), text=text_of("words")
        )

    def _texts(self) -> Iterator["alt.Chart"]:
        """Write names at the left, errors and verdicts at the right, and the words above."""
        body = self.panel.body
        names = [
            {"row": 0.0, "words": fitted(capital(titled("body", body.name)), LABEL_CELLS), "is_out": True}
        ]
        numbers = [self._number(0.0, body, self.panel.bar)]
        for number, row in enumerate(self.rows, 1):
            names.append(
                {"row": float(number), "words": fitted(row.name, LABEL_CELLS), "is_out": is_out(row.lens)}
            )
            numbers.append(self._number(float(number), row.lens, row.bar))
        if self.panel.more_lenses:
            words = f"and {counted(self.panel.more_lenses, 'more lens')}"
            names.append({"row": len(self.rows) + 0.9, "words": words, "is_out": False})
        yield from self._column(names, "words", px=-8, align="right")
        yield from self._column(numbers, "error", px=PLOT_PX + 58, align="right")
        yield from self._column(numbers, "verdict", px=PLOT_PX + 66, align="left")
        yield from self._not_read()
        yield from self._heading()

    def _number(self, row: float, unit: BodyAnswer, bar: Bar | None) -> _Datum:
        return {
            "row": row,
            "error": error_text(unit) if bar else "",
            "verdict": VERDICT_WORDS[unit.verdict],
            "is_out": is_out(unit),
        }

    def _column(
        self, values: Sequence[_Datum], field: str, *, px: float, align: _Align
    ) -> Iterator["alt.Chart"]:
        weights: tuple[tuple[Literal["normal", "bold"], bool], ...] = (("normal", False), ("bold", True))
        for weight, is_bold in weights:
            chosen = [value for value in values if value["is_out"] is is_bold]
            if chosen:
                yield (
                    inline(chosen)
                    .mark_text(align=align, fontSize=10.5, color=INK, fontWeight=weight)
                    .encode(x=x_px(px), y=self._y(), text=text_of(field))
                )

    def _not_read(self) -> Iterator["alt.Chart"]:
        places = [number - READING_RISE for number, row in enumerate(self.rows, 1) if not row.is_read]
        if not self.panel.is_read:
            places = [0.0]
        if places:
            values = [{"row": place, "um": self._free_um()} for place in places]
            words = inline(values).mark_text(fontSize=10, color=GREY, text="not read")
            yield words.encode(x=self._x(), y=self._y())

    def _free_um(self) -> float:
        """Find where words stand clear of the zero line and of the body's own line."""
        low, high = self.axis.domain_um
        lines = [0.0, *([self.panel.bar.at_um] if self.panel.bar else [])]
        places = [low + share * (high - low) for share in (0.1, 0.25, 0.75, 0.9)]
        return max(places, key=lambda um: min(abs(um - line) for line in lines))

    def _heading(self) -> Iterator["alt.Chart"]:
        base = inline([{"row": WORDS_ROW, "um": 0.0}]).encode(y=self._y())
        left, right = x_px(4), x_px(PLOT_PX - 4)
        yield base.mark_point(shape="triangle-left", filled=True, color=INK, size=42, opacity=1).encode(
            x=left
        )
        yield base.mark_point(shape="triangle-right", filled=True, color=INK, size=42, opacity=1).encode(
            x=right
        )
        yield base.mark_text(
            color=INK, text="short", align="left", dx=9, fontWeight="bold", fontSize=10.5
        ).encode(x=left)
        yield base.mark_text(
            color=INK, text="deep", align="right", dx=-9, fontWeight="bold", fontSize=10.5
        ).encode(x=right)
        zero_px = self.axis.px(0.0)
        words_px = min(max(zero_px, 80), PLOT_PX - 80)
        if abs(words_px - zero_px) < 28:
            yield base.mark_text(color=INK, text="on the mark", fontSize=10.5).encode(x=x_px(words_px))
        yield base.mark_text(color=GREY, text="error ± (95 %), µm", align="left", fontSize=9).encode(
            x=x_px(PLOT_PX + 18)
        )


def _value_of(field: str) -> Any:  # noqa: ANN401 - altair's channel of a line's width
    import altair as alt

    return alt.StrokeWidth(f"{field}:Q", scale=None, legend=None)


def _thinned(values: Sequence[float], most: int) -> Sequence[float]:
    """Keep ``most`` values, evenly through their order, the outermost two among them."""
    if len(values) <= most:
        return values
    ordered = sorted(values)
    return [ordered[round(place * (len(ordered) - 1) / (most - 1))] for place in range(most)]
