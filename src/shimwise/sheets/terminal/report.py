"""The report in the terminal: the sentence first, then the rail, the units, what to read and what to do."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.console import Console, Group, RenderableType
from rich.text import Text

from shimwise.inference.model.prep import MeasuredLanding, Reading
from shimwise.inference.verdict.answer import (
    Z95,
    Answer,
    BodyAnswer,
    Cause,
    LensAnswer,
    ReadingAnswer,
    Verdict,
)
from shimwise.remedy.remedy import Remedy
from shimwise.sheets.pictures.picture import most_in_question
from shimwise.sheets.terminal.canvas import BOLD_STYLE, DIM_STYLE, verdict_style
from shimwise.sheets.terminal.rail import draw_rail
from shimwise.sheets.terminal.writer import Writer, report_width
from shimwise.sheets.words.notices import joined_text, notice_text, notice_texts
from shimwise.sheets.words.sentences import second_line
from shimwise.sheets.words.shared import (
    capital,
    counted,
    distance_text,
    error_text,
    fitted,
    is_out,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    signed_text,
    titled,
    way_word,
)
from shimwise.sheets.words.state_words import short_state

CAUSES_NOTE = (
    "P(out) takes each unit by itself: does its error lie beyond its tolerance. The share of a cause also "
    "weighs that most units are healthy, so the two differ."
)
MOST_BODIES, MOST_LENSES, MOST_CAUSES, MOST_DOUBTED = 8, 24, 6, 8
MOST_NEXT, MOST_REMEDIES, MOST_WARNINGS = 4, 8, 8
"""How long each list may get before it ends with how many more there are."""
TITLES = ("Unit", "Verdict", "Error, µm", "P(out)", "Scale, ‰", "P(out)")
"""The table's columns: words flush left, figures flush right. A scale is given up where there is no room."""
LEFT_OUT = {4: "the scale and its P(out)", 5: "P(out) of the scale"}
"""By the number of columns that there is room for: what is left out."""
WORD_COLUMNS, LEAST_COLUMNS = 2, 4


def print_report(
    console: Console,
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    readings: Iterable[Reading | MeasuredLanding] | None = None,
    lens_text: Mapping[str, str] | None = None,
) -> None:
    """Print the whole report, as wide as the terminal from 60 to 100 columns.

    Where the terminal's encoding is no Unicode it is printed in ASCII. Colour is the console's affair: none
    where there is no terminal or where ``NO_COLOR`` is set.

    Parameters
    ----------
    console : Console
        Where to print.
    answer, remedies, readings, lens_text
        As :func:`report`.
    """
    width = report_width(console)
    is_ascii = console.options.ascii_only
    body = report(answer, remedies, width=width, is_ascii=is_ascii, readings=readings, lens_text=lens_text)
    console.print(body, width=width, highlight=False, crop=False)


def report(
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    width: int = 80,
    is_ascii: bool = False,
    readings: Iterable[Reading | MeasuredLanding] | None = None,
    lens_text: Mapping[str, str] | None = None,
) -> Group:
    """Compose the report.

    Parameters
    ----------
    answer : Answer
        The verdict.
    remedies : sequence of Remedy
        What to do about it.
    width : int
        60 to 160. [terminal cells]
    is_ascii : bool
        Whether to write in ASCII.
    typed: Mapping[int, Reading | MeasuredLanding]
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.

    Returns
    -------
    Group
        To be printed ``width`` wide.

    Raises
    ------
    SheetError
        If the width is out of its range.
    """
    doubted_rows = {reading.row for reading in answer.readings if reading.is_doubted}
    typed = {reading.row: reading for reading in readings or () if reading.row in doubted_rows}
    writer = _VerdictWriter(
        answer=answer,
        remedies=tuple(remedies),
        width=width,
        is_ascii=is_ascii,
        typed=typed,
        lens_text=lens_text or {},
    )
    return Group(*writer.parts())


@dataclass(frozen=True, slots=True, kw_only=True)
class _VerdictWriter(Writer):
    """Writes one answer."""

    answer: Answer
    remedies: tuple[Remedy, ...]
    typed: Mapping[int, Reading | MeasuredLanding]

    def parts(self) -> Iterator[RenderableType]:
        yield from self.paragraph(self.answer.headline, style=BOLD_STYLE)
        if also := second_line(self.answer):
            yield from self.paragraph(also)
        yield Text("")
        rail = draw_rail(self.answer, width=self.width, lens_text=self.lens_text, is_ascii=self.is_ascii)
        yield from rail.styled
        yield from self.units()
        yield from self.section("Causes", self.causes())
        yield from self.section("Doubted readings", self.doubted())
        yield from self.section("Read next", self.next())
        yield from self.section("What to do", self.what_to_do())
        yield from self.section("Warnings", self.warnings())

    # -- units ---------------------------------------------------------------------------------------------

    def units(self) -> Iterator[RenderableType]:
        read = {name for reading in self.answer.readings for name in (reading.body, reading.lens)}
        units = (*self.answer.bodies, *self.answer.lenses)
        shown = [
            unit
            for kind, most in ((self.answer.bodies, MOST_BODIES), (self.answer.lenses, MOST_LENSES))
            for unit in most_in_question(kind, most, lambda unit: int(unit.name in read))
        ]
        titles = [self.text(title, BOLD_STYLE) for title in TITLES]
        yield Text("")
        table, count = _table([titles, *(list(self.unit(unit)) for unit in shown)], self.width)
        yield from table
        if left := LEFT_OUT.get(count):
            yield from self.paragraph(f"No room here for {left}: a wider terminal shows it.", style=DIM_STYLE)
        if hidden := [unit for unit in units if unit not in shown]:
            is_fine = all(unit.verdict is Verdict.IN_TOLERANCE for unit in hidden)
            yield self.text(f"and {len(hidden):,} more{', all in tolerance' if is_fine else ''}", DIM_STYLE)
        yield from self.paragraph(
            "± is half the 95 % interval, P(out) the probability of an error beyond the tolerance of "
            f"±{self.answer.tolerance_um:g} µm; short < 0 < deep.",
            style=DIM_STYLE,
        )

    def unit(self, unit: BodyAnswer) -> Iterator[Text]:
        name = self.lens(unit.name) if isinstance(unit, LensAnswer) else capital(titled("body", unit.name))
        if unit.tolerance_um != self.answer.tolerance_um:
            name += f" (±{unit.tolerance_um:g})"
        yield Text(fitted(plain(name), self.width // 3, is_ascii=self.is_ascii))
        yield self.text(short_state(unit, self.answer), verdict_style(unit.verdict))
        yield self.text(error_text(unit))
        yield self.text(probability_text(unit.p_out))
        if isinstance(unit, LensAnswer):
            yield self.text(plus_minus_text(unit.scale_permille, Z95 * unit.scale_sd_permille))
            yield self.text(probability_text(unit.p_scale_out))

    # -- lists ---------------------------------------------------------------------------------------------

    def causes(self) -> Iterator[RenderableType]:
        causes = sorted(self.answer.causes, key=lambda cause: -cause.probability)
        pairs = [(probability_text(cause.probability), _cause_text(cause)) for cause in causes[:MOST_CAUSES]]
        yield from self.items(pairs)
        yield from self.and_more(len(causes) - MOST_CAUSES, "less probable")
        if pairs:
            yield from self.paragraph(CAUSES_NOTE, style=DIM_STYLE)

    def doubted(self) -> Iterator[RenderableType]:
        doubted = sorted(
            (one for one in self.answer.readings if one.is_doubted), key=lambda reading: reading.weight
        )
        shown = sorted(doubted[:MOST_DOUBTED], key=lambda reading: reading.line)
        yield from self.items((self.place(reading), self.doubted_text(reading)) for reading in shown)
        yield from self.and_more(len(doubted) - MOST_DOUBTED)

    def place(self, reading: ReadingAnswer) -> str:
        typed = self.typed.get(reading.row)
        return "sweep" if isinstance(typed, MeasuredLanding) else f"line {reading.line}"

    def doubted_text(self, reading: ReadingAnswer) -> str:
        landing = f"lands {way_word(reading.landing_um)}, {signed_text(reading.landing_um)} µm"
        words = (
            f"{self.lens(reading.lens)} on {titled('body', reading.body)}, "
            f"{titled('set-up', reading.setup)}: {landing}; weight {reading.weight:.2f} of 1"
        )
        typed = self.typed.get(reading.row)
        if isinstance(typed, MeasuredLanding):
            return f"{words}. Measured from frames ({typed.source}). Sweep it again."
        if typed:
            taped, read = distance_text(typed.distance_mm), distance_text(typed.reading_mm)
            by = f", by {typed.operator}" if typed.operator else ""
            words += f". Taped at {taped}, read at {read}{by}"
        return f"{words}. Read it again."

    def next(self) -> Iterator[RenderableType]:
        yield from self.readings_to_take(self.answer.next[:MOST_NEXT])
        yield from self.and_more(len(self.answer.next) - MOST_NEXT)

    def what_to_do(self) -> Iterator[RenderableType]:
        if not self.remedies and not any(map(is_out, (*self.answer.bodies, *self.answer.lenses))):
            yield from self.paragraph("Nothing: no unit is decided to be out.", indent=1)
        groups: defaultdict[tuple[tuple[str, ...], tuple[str, ...]], list[Remedy]] = defaultdict(list)
        for remedy in self.remedies:
            steps, cautions = (tuple(map(notice_text, one)) for one in (remedy.steps, remedy.cautions))
            groups[steps, cautions].append(remedy)
        for number, ((steps, cautions), group) in enumerate(list(groups.items())[:MOST_REMEDIES]):
            if number:
                yield Text("")
            for remedy in group[:MOST_REMEDIES]:
                yield from self.paragraph(joined_text(remedy.advice), indent=1, first_style=BOLD_STYLE)
            yield from self.and_more_remedies(group[MOST_REMEDIES:])
            yield from self.items(((f"{n}.", step) for n, step in enumerate(steps, 1)), indent=3)
            if cautions:
                yield from self.paragraph(" ".join(cautions), mark="Caution:", indent=3)
        yield from self.and_more_remedies(
            [r for group in list(groups.values())[MOST_REMEDIES:] for r in group]
        )

    def and_more_remedies(self, remedies: Sequence[Remedy]) -> Iterator[RenderableType]:
        if remedies:
            words = (
                f"and {counted(len(remedies), 'more remedy')}: {listed(remedy.unit for remedy in remedies)}"
            )
            yield from self.paragraph(words, indent=1, style=DIM_STYLE)

    def warnings(self) -> Iterator[RenderableType]:
        texts = notice_texts(self.answer.notices)
        yield from self.warned(texts[:MOST_WARNINGS])
        yield from self.and_more(len(texts) - MOST_WARNINGS)


def _table(rows: Sequence[Sequence[Text]], width: int) -> tuple[list[Text], int]:
    """Lay out rows of cells, two spaces apart; return the lines and how many columns there was room for."""
    cells = [[row[i].cell_len for row in rows if i < len(row)] for i in range(len(TITLES))]
    widths = [max(column) for column in cells]
    while len(widths) > LEAST_COLUMNS and sum(widths) + 2 * (len(widths) - 1) > width:
        widths.pop()
    lines = []
    for row in rows:
        line = Text()
        for i, (cell, room) in enumerate(zip(row, widths, strict=False)):
            pad = " " * (room - cell.cell_len)
            line.append("  " if i else "")
            line.append_text(cell + Text(pad) if i < WORD_COLUMNS else Text(pad) + cell)
        line.rstrip()
        lines.append(line)
    return lines, len(widths)


def _cause_text(cause: Cause) -> str:
    match cause.kind:
        case "scale":
            return f"the scale of {titled('lens', cause.unit)}"
        case "setup":
            return f"the taped distance of {titled('set-up', cause.unit)}"
        case kind:
            return titled(kind, cause.unit)
