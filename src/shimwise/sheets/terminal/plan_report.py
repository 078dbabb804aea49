"""The plan in the terminal: the sentence first, then what to tape and read, and what that reaches."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from shimwise.inference.plan.planner import Plan, PlannedReading
from shimwise.inference.verdict.answer import NextReading
from shimwise.sheets.terminal.canvas import BOLD_STYLE, DIM_STYLE
from shimwise.sheets.terminal.writer import Writer, report_width
from shimwise.sheets.words.plan_words import (
    plan_habits,
    plan_headline,
    plan_help,
    plan_pictures,
    setups_of,
    tape_text,
)
from shimwise.sheets.words.shared import capital, distance_text, fitted, plain, titled

MOST_WARNINGS = 8


def print_plan(
    console: Console,
    plan: Plan,
    *,
    next_readings: Sequence[NextReading] = (),
    lens_text: Mapping[str, str] | None = None,
    typed_distances: Mapping[float, str] | None = None,
    warnings: Sequence[str] = (),
) -> None:
    """Print a plan, as wide as the terminal from 60 to 100 columns, in its alphabet.

    Parameters
    ----------
    console : Console
        Where to print.
    plan : Plan
        What is to be read.
    next_readings : sequence of NextReading
        What decides most of the units that are not decided yet.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    typed_distances : mapping of float to str, optional
        Distances [mm] as the person wrote them.
    warnings : sequence of str
        What is to be known of the files.
    """
    writer = _PlanWriter(
        plan=plan,
        width=report_width(console),
        is_ascii=console.options.ascii_only,
        lens_text=lens_text or {},
        typed=typed_distances or {},
    )
    writer.print(console, writer.parts(next_readings, warnings))


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlanWriter(Writer):
    """Writes one plan."""

    plan: Plan
    typed: Mapping[float, str]

    def parts(
        self, next_readings: Sequence[NextReading], warnings: Sequence[str]
    ) -> Iterator[RenderableType]:
        yield from self.paragraph(plan_headline(self.plan), style=BOLD_STYLE)
        yield from self.paragraph(
            "± is half the 95 % interval of the body's error. A chart is taped once for each line "
            "that starts with a distance.",
            style=DIM_STYLE,
        )
        yield from self.section(
            "Read next, for what is not decided yet", self.readings_to_take(next_readings)
        )
        yield from self.section(
            "Tape and measure by picture" if self.plan.is_by_picture else "Tape and read", self.sights()
        )
        for words in (*plan_habits(self.plan, self.typed), *plan_pictures(self.plan)):
            yield from self.paragraph(words, style=DIM_STYLE)
        yield from self.section("What that reaches", (self.reached(),))
        yield from self.section("What would help", self.warned(plan_help(self.plan)))
        yield from self.section("Warnings", self.warned(warnings[:MOST_WARNINGS]))

    def sights(self) -> Iterator[RenderableType]:
        if not self.plan.count:
            return
        setups = setups_of(self.plan)
        bodies = {body: self.cell(body, 20) for body, _ in setups}
        tapes = {distance_mm: self.safe(self.tape(distance_mm)) for _, distance_mm in setups}
        taken = max(map(cell_len, bodies.values())) + max(map(cell_len, tapes.values()))
        table = self.table("Body", "Tape at", "Lens", "Repeats", right=("Repeats",))
        last_body = None
        for (body, distance_mm), readings in setups.items():
            for number, reading in enumerate(readings):
                table.add_row(
                    "" if body == last_body else bodies[body],
                    "" if number else tapes[distance_mm],
                    self.cell(self.sight(reading), self.width - taken - len("Repeats") - 8),
                    str(reading.repeats),
                )
                last_body = body
        yield table

    def sight(self, reading: PlannedReading) -> str:
        """Name the lens, which of its focal lengths it is read at, and on which axis of an anamorphic."""
        text = self.lens_text.get(reading.lens, "")
        focal = f"{reading.focal_mm:g} mm"
        is_marked = text == focal or text.startswith(f"{focal} ")
        named = self.lens(reading.lens) if is_marked else f"{plain(reading.lens)} at {focal}"
        return named if reading.axis is None else f"{named}, {reading.axis.value} axis"

    def tape(self, distance_mm: float) -> str:
        words, both = tape_text(distance_mm, self.typed), distance_text(distance_mm)
        return words if distance_mm in self.typed else both

    def reached(self) -> RenderableType:
        titles = ("9 of 10 preps, µm", "middle one, µm", "without end, µm")
        table = self.table("Body", *titles, right=titles)
        for body in self.plan.bodies:
            is_short = body.half_width_um > self.plan.target_um
            table.add_row(
                self.cell(capital(titled("body", body.name)), 28),
                Text(self.safe(f"± {body.half_width_um:.1f}"), BOLD_STYLE if is_short else ""),
                self.safe(f"± {body.median_um:.1f}"),
                self.safe(f"± {body.limit_um:.1f}"),
            )
        return table

    def table(self, *titles: str, right: Sequence[str]) -> Table:
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=DIM_STYLE)
        for title in titles:
            justify = "right" if title in right else "left"
            table.add_column(self.safe(title), justify=justify, no_wrap=True)  # type: ignore[arg-type]
        return table

    def cell(self, words: str, cells: int) -> str:
        return self.safe(fitted(plain(words), cells, is_ascii=self.is_ascii))
