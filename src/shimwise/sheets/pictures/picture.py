"""What the rail and the figure both draw: a panel for each body, a row for each lens, in microns.

A *landing* is body and lens together, so a lens's estimate is drawn where its landings are expected: at the
body's error plus its own. The distance between that bar and the body's own line is the lens's own error.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer, ReadingAnswer, Verdict
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.sheets.words.shared import plain

MOST_BODIES, MOST_ROWS, LEAST_LENSES = 4, 32, 6
"""How much one picture holds before it is too long to be looked at."""
SPAN_TOLERANCES = 1.5
"""The scale reaches at least this many tolerances to either side."""
EDGE_SHARE = 0.05
"""This share of the landings at either end does not set the scale."""
MARGIN_SHARE = 0.12
"""The margin of a figure at either end, as a share of the span."""
READING_REACH, BAR_REACH = 0.35, 0.6
"""For the sake of the others, and of long bars, it is drawn out by at most these shares of its span."""

DRAWABLE_UM = 1e9
"""What is no number, or lies more than a kilometre off, is left out."""

_Unit = TypeVar("_Unit", bound=BodyAnswer)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """An estimate and its 95 % interval. [µm, short < 0 < deep]"""

    at_um: float
    low_um: float
    high_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A lens on a body: landings kept and doubted [µm], and where landings are expected (None: not drawn).

    ``set_to_mm``: the focal length to which a zoom was set, which has a row of its own. [mm]
    """

    lens: LensAnswer
    state: StateCode
    text: str
    kept_um: tuple[float, ...]
    doubted_um: tuple[float, ...]
    bar: Bar | None
    set_to_mm: float | None = None

    @property
    def is_read(self) -> bool:
        """Whether there is a landing to draw."""
        return bool(self.kept_um or self.doubted_um)

    @property
    def name(self) -> str:
        """The lens's name with what is known of it: ``H50 50 mm f/2``, ``Z1 at 24 mm``."""
        return self.short_name if self.set_to_mm is not None else f"{self.short_name} {self.text}".strip()

    @property
    def short_name(self) -> str:
        """The lens's name, and to what a zoom was set."""
        name = plain(self.lens.name)
        return name if self.set_to_mm is None else f"{name} at {self.set_to_mm:g} mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A body, its own bar (None: not drawn), its rows, and how many more lenses there are."""

    body: BodyAnswer
    state: StateCode
    bar: Bar | None
    rows: tuple[Row, ...]
    more_lenses: int

    @property
    def is_read(self) -> bool:
        """Whether anything was read on this body."""
        return any(row.is_read for row in self.rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """All panels, how many more bodies there are, the tolerance, and the span to be shown. [µm]"""

    panels: tuple[Panel, ...]
    more_bodies: int
    tolerance_um: float
    low_um: float
    high_um: float

    @property
    def domain_um(self) -> tuple[float, float]:
        """The span with a margin at either end, in which a figure draws what lies beyond it. [µm]"""
        margin = MARGIN_SHARE * (self.high_um - self.low_um)
        return self.low_um - margin, self.high_um + margin

    def holds(self, um: float) -> bool:
        """Return whether a value lies in the span."""
        return self.low_um <= um <= self.high_um

    def drawn_um(self, um: float) -> float:
        """Return where the end of a bar is drawn: at the end of the margin if it lies beyond. [µm]"""
        low, high = self.domain_um
        return min(max(um, low), high)

    @property
    def tolerance_text(self) -> str:
        """The tolerance of the bodies drawn, ``±10 µm``; of several from the least to the largest."""
        each = sorted({panel.body.tolerance_um for panel in self.panels} or {self.tolerance_um})
        return f"±{each[0]:g} µm" if len(each) == 1 else f"±{each[0]:g} to ±{each[-1]:g} µm, by body"


def arrange(
    answer: Answer,
    *,
    lens_text: Mapping[str, str] | None = None,
    zoom_mm: Mapping[int, float] | None = None,
    most_bodies: int = MOST_BODIES,
    most_rows: int = MOST_ROWS,
) -> Picture:
    """Arrange an answer for drawing.

    Parameters
    ----------
    answer : Answer
        The verdict. A value that is no number is left out of the picture.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    zoom_mm : mapping of int to float, optional
        Focal length to which a zoom was set, by the row of its reading: each has a row of its own. [mm]
    most_bodies, most_rows : int
        Of more bodies, and of more rows in all, those most in question are kept, in their own order; never
        fewer than ``LEAST_LENSES`` on a body.

    Returns
    -------
    Picture
        With a span that holds estimates and all but the outermost landings.
    """
    read = _by_body_and_lens(answer.readings)
    drawing = _Drawing(answer, read, {lens for _, lens in read}, lens_text or {}, zoom_mm or {})
    bodies = most_in_question(
        answer.bodies,
        most_bodies,
        lambda body: sum(len(read[key]) for key in read if key[0] == body.name),
    )
    most_lenses = max(LEAST_LENSES, most_rows // max(len(bodies), 1))
    panels = tuple(drawing.panel(body, most_lenses) for body in bodies)
    low_um, high_um = _span(panels, answer.tolerance_um)
    return Picture(
        panels=panels,
        more_bodies=len(answer.bodies) - len(bodies),
        tolerance_um=answer.tolerance_um,
        low_um=low_um,
        high_um=high_um,
    )


def most_in_question(
    units: Sequence[_Unit], most: int, readings_of: Callable[[_Unit], int]
) -> tuple[_Unit, ...]:
    """Keep at most ``most`` units, in their own order: read ones first, of these the likeliest to be out."""
    if len(units) <= most:
        return tuple(units)

    def rank(unit: _Unit) -> tuple[bool, bool, float]:
        is_fine = unit.verdict in (Verdict.IN_TOLERANCE, Verdict.NOT_CHECKED)
        return readings_of(unit) == 0, is_fine, -unit.p_out if math.isfinite(unit.p_out) else 0.0

    kept = {unit.name for unit in sorted(units, key=rank)[:most]}
    return tuple(unit for unit in units if unit.name in kept)


_ByBodyAndLens = Mapping[tuple[str, str], Sequence[ReadingAnswer]]


def _by_body_and_lens(readings: Iterable[ReadingAnswer]) -> _ByBodyAndLens:
    groups: defaultdict[tuple[str, str], list[ReadingAnswer]] = defaultdict(list)
    for reading in readings:
        if abs(reading.landing_um) <= DRAWABLE_UM:
            groups[reading.body, reading.lens].append(reading)
    return dict(groups)


@dataclass(frozen=True, slots=True)
class _Drawing:
    """What the panels of one picture share."""

    answer: Answer
    read: _ByBodyAndLens
    lenses_read: set[str]
    texts: Mapping[str, str]
    zoom_mm: Mapping[int, float]

    def panel(self, body: BodyAnswer, most_lenses: int) -> Panel:
        lenses, read = self.answer.lenses, self.read
        shown = most_in_question(lenses, most_lenses, lambda lens: len(read.get((body.name, lens.name), ())))
        is_body_read = any(key[0] == body.name for key in read)
        body_bar = _bar(body, offset_um=0.0, is_known=is_body_read)
        return Panel(
            body=body,
            state=state_of(body, self.answer).code,
            bar=body_bar,
            rows=tuple(
                row for lens in shown for row in self._rows(body, lens, is_placed=body_bar is not None)
            ),
            more_lenses=len(lenses) - len(shown),
        )

    def _rows(self, body: BodyAnswer, lens: LensAnswer, *, is_placed: bool) -> Iterator[Row]:
        """Yield a row for each focal length at which a lens was read on any body; one for a prime."""
        own = self.read.get((body.name, lens.name), ())
        state = state_of(lens, self.answer).code
        bar = _bar(lens, offset_um=body.error_um, is_known=lens.name in self.lenses_read and is_placed)
        for set_to_mm in self._settings(lens.name):
            at = [one for one in own if self.zoom_mm.get(one.row) == set_to_mm]
            yield Row(
                lens=lens,
                state=state,
                text=plain(self.texts.get(lens.name, "")),
                kept_um=tuple(one.landing_um for one in at if not one.is_doubted),
                doubted_um=tuple(one.landing_um for one in at if one.is_doubted),
                bar=bar,
                set_to_mm=set_to_mm,
            )

    def _settings(self, lens: str) -> list[float | None]:
        of_lens = [self.zoom_mm.get(one.row) for key in self.read if key[1] == lens for one in self.read[key]]
        set_to = sorted({one for one in of_lens if one is not None})
        return [*([None] if None in of_lens or not set_to else []), *set_to]


def _bar(unit: BodyAnswer, *, offset_um: float, is_known: bool) -> Bar | None:
    if not is_known and unit.verdict is Verdict.NOT_CHECKED:
        return None
    ends = (unit.error_um + offset_um, unit.low_um + offset_um, unit.high_um + offset_um)
    if not all(abs(end) <= DRAWABLE_UM for end in ends):
        return None
    return Bar(at_um=ends[0], low_um=ends[1], high_um=ends[2])


def _span(panels: Sequence[Panel], tolerance_um: float) -> tuple[float, float]:
    """Span from most landings and the estimates; what lies far off draws it out only so far."""
    kept = sorted(um for panel in panels for row in panel.rows for um in row.kept_um)
    edge = math.floor(EDGE_SHARE * len(kept))
    inner = [kept[edge], kept[-1 - edge]] if kept else []
    bars = [bar for panel in panels for bar in (panel.bar, *(row.bar for row in panel.rows)) if bar]
    wide_um = SPAN_TOLERANCES * tolerance_um
    core = [*inner, *(bar.at_um for bar in bars), -wide_um, wide_um]
    span = min(core), max(core)
    span = _drawn_out(span, (end for bar in bars for end in (bar.low_um, bar.high_um)), share=BAR_REACH)
    doubted = [um for panel in panels for row in panel.rows for um in row.doubted_um]
    return _drawn_out(span, [*kept, *doubted], share=READING_REACH)


def _drawn_out(span: tuple[float, float], values: Iterable[float], *, share: float) -> tuple[float, float]:
    """Widen a span to those values that lie outside it by no more than a share of it."""
    low, high = span
    reach = share * (high - low)
    near = [value for value in values if low - reach <= value <= high + reach]
    return min([low, *near]), max([high, *near])
