"""The report in the terminal: the sentence, what to do now, the rail, the units, and how it is done."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.console import Console, RenderableType
from rich.text import Text

from shimwise.inference.model.prep import MeasuredLanding, Reading, zoom_settings_mm
from shimwise.inference.verdict.answer import (
    Z95,
    Answer,
    BodyAnswer,
    LensAnswer,
    ReadingAnswer,
    Verdict,
)
from shimwise.inference.verdict.pair_sentences import certain_differences, difference_sentence
from shimwise.notices import Notice
from shimwise.remedy.remedy import Remedy, RemedyKind
from shimwise.remedy.to_do import to_do
from shimwise.sheets.pictures.picture import most_in_question
from shimwise.sheets.terminal.canvas import BOLD_STYLE, DIM_STYLE, verdict_style
from shimwise.sheets.terminal.rail import draw_rail
from shimwise.sheets.terminal.writer import Writer, report_width
from shimwise.sheets.words.cause_words import cause_text
from shimwise.sheets.words.eye_words import eyes_text
from shimwise.sheets.words.notices import joined_text, notice_text, notice_texts
from shimwise.sheets.words.pair_words import set_texts
from shimwise.sheets.words.remedy_words import beside_to_do
from shimwise.sheets.words.sentences import second_line
from shimwise.sheets.words.shared import (
    capital,
    counted,
    distance_text,
    error_text,
    fitted,
    listed,
    plain,
    plus_minus_text,
    probability_text,
    signed_text,
    titled,
)
from shimwise.sheets.words.state_words import short_state
from shimwise.sheets.words.to_do_words import readings_after_text

MOST_BODIES, MOST_LENSES, MOST_CAUSES, MOST_DIFFERENCES, MOST_PERSONS = 8, 24, 5, 3, 6
MOST_TO_DO, MOST_REMEDIES, MOST_WARNINGS = 12, 8, 8
"""How long each list may get before it ends with how many more there are."""
BRIEF_LINES = 12
"""The most lines of a brief report, where its sentence is no longer than that."""
TITLES = ("Unit", "Verdict", "Error, µm", "P(out)", "Scale, ‰", "P(out)")
"""The table's columns: words flush left, figures flush right. A scale is left out where there is no room."""
LEFT_OUT = {4: "the scale and its P(out)", 5: "P(out) of the scale"}
"""By the number of columns that there is room for: what is left out."""
WORD_COLUMNS, LEAST_COLUMNS = 2, 4


def print_report(
    console: Console,
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    readings: Iterable[Reading | MeasuredLanding] = (),
    lens_text: Mapping[str, str] | None = None,
) -> None:
    """Print the whole report, as wide as the terminal from 60 to 100 columns.

    Where the terminal's encoding is no Unicode it is printed in ASCII. Colour is the console's affair: none
    where there is no terminal or where ``NO_COLOR`` is set.

    Parameters
    ----------
    console : Console
        Where to print.
    answer : Answer
        The verdict.
    remedies : sequence of Remedy
        What to do about it.
    readings : iterable
        The readings as they were typed: a doubted one is then written with its distance and its reader.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    """
    writer = _writer(console, answer, remedies, readings, lens_text or {})
    writer.print(console, writer.parts())


def print_brief(
    console: Console,
    answer: Answer,
    remedies: Sequence[Remedy] = (),
    *,
    readings: Iterable[Reading | MeasuredLanding] = (),
) -> None:
    """Print the sentence and what to do now, in few lines, the most pressing first."""
    writer = _writer(console, answer, remedies, readings, {})
    writer.print(console, writer.brief())


def _writer(
    console: Console,
    answer: Answer,
    remedies: Sequence[Remedy],
    readings: Iterable[Reading | MeasuredLanding],
    lens_text: Mapping[str, str],
) -> "_VerdictWriter":
    taken = tuple(readings)
    doubted_rows = {reading.row for reading in answer.readings if reading.is_doubted}
    return _VerdictWriter(
        answer=answer,
        remedies=tuple(remedies),
        width=report_width(console),
        is_ascii=console.options.ascii_only,
        typed={reading.row: reading for reading in taken if reading.row in doubted_rows},
        zoom_mm=zoom_settings_mm(taken),
        lens_text=lens_text,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _VerdictWriter(Writer):
    """Writes one answer."""

    answer: Answer
    remedies: tuple[Remedy, ...]
    typed: Mapping[int, Reading | MeasuredLanding]
    zoom_mm: Mapping[int, float]

    def parts(self) -> Iterator[RenderableType]:
        yield from self.paragraph(self.answer.headline, style=BOLD_STYLE)
        if also := second_line(self.answer):
            yield from self.paragraph(also)
        yield from self.section("What to do now", self.to_do())
        yield Text("")
        rail = draw_rail(
            self.answer,
            width=self.width,
            lens_text=self.lens_text,
            zoom_mm=self.zoom_mm,
            is_ascii=self.is_ascii,
        )
        yield from rail.styled
        yield from self.units()
        yield from self.pairs()
        yield from self.causes()
        yield from self.eyes()
        yield from self.section("How it is done", self.steps())
        yield from self.section("Warnings", self.warnings())

    def brief(self) -> Iterator[RenderableType]:
        lines = list(self.paragraph(self.answer.headline, style=BOLD_STYLE))
        texts = self.to_do_texts()
        for number, text in enumerate(texts):
            item = list(self.paragraph(text, mark="-"))
            is_last = number == len(texts) - 1
            if len(lines) + len(item) + (not is_last) > BRIEF_LINES:
                lines.append(self.text(f"and {len(texts) - number} more", DIM_STYLE))
                break
            lines += item
        yield from lines

    # -- what to do now ------------------------------------------------------------------------------------

    def to_do(self) -> Iterator[RenderableType]:
        texts = self.to_do_texts()
        yield from self.items((f"{number}.", text) for number, text in enumerate(texts[:MOST_TO_DO], 1))
        yield from self.and_more(len(texts) - MOST_TO_DO)

    def to_do_texts(self) -> list[str]:
        readings = {reading.row: reading for reading in self.answer.readings}
        notices = to_do(self.answer, self.remedies)
        after = [one for one in notices if one.code == "do_read_next"][1:]
        return [
            self.doubted(notice, readings[int(row)])
            if notice.code == "do_read_again" and isinstance(row := notice.numbers["row"], float)
            else readings_after_text(after)
            if after and notice is after[0]
            else notice_text(notice)
            for notice in notices
            if notice not in after[1:]
        ]

    def doubted(self, notice: Notice, reading: ReadingAnswer) -> str:
        typed = self.typed.get(reading.row)
        landing = f"lands {signed_text(reading.landing_um, comma=True)} µm"
        if isinstance(typed, MeasuredLanding) and typed.source:
            return f"Sweep {reading.lens} on {reading.body} again: {typed.source} {landing}."
        again = notice_text(notice).partition(":")[0]
        if isinstance(typed, MeasuredLanding):
            return f"{again}: line {reading.line} (by picture) {landing}."
        if typed is None:
            return f"{again}: line {reading.line} {landing}."
        by = f" by {typed.operator}" if typed.operator else ""
        return f"{again}: line {reading.line} ({_short(typed.reading_mm)}{by}) {landing}."

    # -- units ---------------------------------------------------------------------------------------------

    def units(self) -> Iterator[RenderableType]:
        read = {name for reading in self.answer.readings for name in (reading.body, reading.lens)}
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
        if hidden := [unit for unit in self.answer.units if unit not in shown]:
            is_fine = all(unit.verdict is Verdict.IN_TOLERANCE for unit in hidden)
            yield self.text(f"and {len(hidden):,} more{', all in tolerance' if is_fine else ''}", DIM_STYLE)
        yield from self.paragraph(
            f"± is half the 95 % interval; P(out): an error beyond ±{self.answer.tolerance_um:g} µm; "
            "short < 0 < deep.",
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

    def pairs(self) -> Iterator[RenderableType]:
        """Write body and lens together, then body against body unless the head has it, in one paragraph."""
        texts = list(set_texts(self.answer))[:MOST_BODIES]
        certain = certain_differences(self.answer)
        in_head = certain if len(certain) == 1 else ()  # of several the head has the largest alone
        others = [one for one in self.answer.differences if one not in in_head]
        texts += map(difference_sentence, others[:MOST_DIFFERENCES])
        if texts:
            yield from self.paragraph(" ".join(texts))

    # -- lists ---------------------------------------------------------------------------------------------

    def causes(self) -> Iterator[RenderableType]:
        causes = sorted(self.answer.causes, key=lambda cause: -cause.probability)
        shares = [f"{probability_text(one.probability)} {cause_text(one)}" for one in causes[:MOST_CAUSES]]
        if not shares:
            return
        if len(causes) > MOST_CAUSES:
            shares.append(f"{len(causes) - MOST_CAUSES:,} less probable")
        yield from self.paragraph(f"Causes: {' · '.join(shares)}.", first_style="")

    def eyes(self) -> Iterator[RenderableType]:
        if text := eyes_text(self.answer.operators[:MOST_PERSONS]):
            yield from self.paragraph(text, first_style="")

    def steps(self) -> Iterator[RenderableType]:
        """Write each remedy with its steps, and what all share once: first step, last step, cautions."""
        groups: defaultdict[tuple[str, ...], list[Remedy]] = defaultdict(list)
        for remedy in self.remedies:
            groups[tuple(map(notice_text, remedy.steps))].append(remedy)
        is_clean_shared = sum(_CLEAN in steps for steps in groups) > 1
        is_mark_shared = all(any(mark in steps for steps in groups) for mark in _MARKS)
        left_out = (*[_CLEAN] * is_clean_shared, *_MARKS * is_mark_shared)
        if is_clean_shared:
            yield from self.paragraph(notice_text(Notice("clean_both")), indent=1)
        for steps, group in list(groups.items())[:MOST_REMEDIES]:
            own = [step for step in steps if step not in left_out]
            numbered = " ".join(f"{number}. {step}" for number, step in enumerate(own, 1))
            *others, last = group[:MOST_REMEDIES]
            for remedy in others:
                yield from self.paragraph(_advice(remedy), indent=1, first_style=BOLD_STYLE)
            yield from self.paragraph(f"{_advice(last)} {numbered}", indent=1, first_style=BOLD_STYLE)
            yield from self.and_more_remedies(group[MOST_REMEDIES:])
        yield from self.and_more_remedies(
            [r for group in list(groups.values())[MOST_REMEDIES:] for r in group]
        )
        if is_mark_shared:
            yield from self.paragraph(notice_text(Notice("mark_both")), indent=1)
        written = {step.code for remedy in self.remedies[:MOST_REMEDIES] for step in remedy.steps}
        cautions = dict.fromkeys(
            notice_text(one)
            for remedy in self.remedies
            for one in remedy.cautions
            if _STEP_OF_CAUTION.get(one.code) not in written
        )
        if cautions:
            yield from self.paragraph(f"Caution: {' '.join(cautions)}", indent=1)

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


_CLEAN = notice_text(Notice("clean"))
_MARKS = (notice_text(Notice("mark_body")), notice_text(Notice("mark_lens")))
"""The first step of bodies and lenses alike, and their last ones: written once where both are."""
_STEP_OF_CAUTION = {"stop_at_resistance": "move_slowly", "lens_technician": "send_lens"}
"""Cautions that a step contains: written once, at the step."""


def _advice(remedy: Remedy) -> str:
    """Return what a remedy adds to its line of what to do now."""
    if remedy.kind is RemedyKind.SETUP:
        return f"{plain(remedy.unit)}."
    if (beside := beside_to_do(remedy.advice)) is not None:
        return f"{plain(remedy.unit)}{': ' if beside else '.'}{' '.join(beside)}"
    if len(remedy.advice) > 1:
        return f"{plain(remedy.unit)}: {joined_text(remedy.advice[1:])}"
    return joined_text(remedy.advice)


def _short(reading_mm: float) -> str:
    """Return the position of a ring in feet and inches, without its metric twin."""
    return distance_text(reading_mm).partition(" (")[0]
