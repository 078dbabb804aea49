"""What the reports in the terminal share: paragraphs, sections and lists in one width and one alphabet."""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.text import Text

from shimwise.inference.verdict.answer import Z95, NextReading
from shimwise.sheets.terminal.canvas import BOLD_STYLE, DIM_STYLE
from shimwise.sheets.terminal.rail import LEAST_WIDTH
from shimwise.sheets.words.shared import distance_text, half_text, plain, plain_or_ascii, titled, wrapped

MOST_REPORT_WIDTH = 100
"""A line longer than this is hard to follow. [terminal cells]"""


def report_width(console: Console) -> int:
    """Return how wide a report is printed: as the terminal, from 60 to 100 columns."""
    return max(LEAST_WIDTH, min(console.width, MOST_REPORT_WIDTH))


@dataclass(frozen=True, slots=True, kw_only=True)
class Writer:
    """Writes a report in one width [terminal cells] and one alphabet.

    ``lens_text``: what is known of a lens, by name: ``18 mm f/2``.
    """

    width: int
    is_ascii: bool
    lens_text: Mapping[str, str]

    def print(self, console: Console, parts: Iterable[RenderableType]) -> None:
        """Print the parts of a report."""
        console.print(Group(*parts), width=self.width, highlight=False, crop=False)

    def safe(self, words: str) -> str:
        """Return words in one line that cannot steer the terminal, in the report's alphabet."""
        return plain_or_ascii(words, is_ascii=self.is_ascii)

    def text(self, words: str, style: str = "") -> Text:
        """Return words in a style."""
        return Text(self.safe(words), style)

    def paragraph(
        self, words: str, *, mark: str = "", indent: int = 0, style: str = "", first_style: str = ""
    ) -> Iterator[Text]:
        """Write words in lines, set in beside their mark; the first sentence may have a style of its own."""
        start = f"{' ' * indent}{self.safe(mark)} " if mark else " " * indent
        cells = cell_len(start)
        first = re.match(r".*?[.](?= |$)", self.safe(words))
        styled_up_to = first.end() if first and first_style else 0
        done = 0
        for number, line in enumerate(wrapped(self.safe(words), self.width - cells)):
            text = Text(" " * cells if number else start)
            text.append(line, style)
            text.stylize(first_style, cells, cells + max(0, min(len(line), styled_up_to - done)))
            done += len(line) + 1
            yield text

    def section(self, title: str, parts: Iterable[RenderableType]) -> Iterator[RenderableType]:
        """Write a title and what belongs to it, unless that is nothing."""
        parts = list(parts)
        if parts:
            yield Text("")
            yield self.text(title, BOLD_STYLE)
            yield from parts

    def items(self, pairs: Iterable[tuple[str, str]]) -> Iterator[Text]:
        """Write marks, flush right, and what belongs to them."""
        pairs = list(pairs)
        widest = max((cell_len(self.safe(mark)) for mark, _ in pairs), default=0)
        for mark, words in pairs:
            lead = 1 + widest - cell_len(self.safe(mark))
            yield from self.paragraph(words, mark=mark, indent=lead)

    def warned(self, texts: Iterable[str]) -> Iterator[Text]:
        """Write texts to heed, one below the other."""
        return self.items(("!", text) for text in texts)

    def and_more(self, count: int) -> Iterator[Text]:
        """Write how many more there are, if any."""
        if count > 0:
            yield from self.paragraph(f"and {count:,} more", indent=1, style=DIM_STYLE)

    def lens(self, name: str) -> str:
        """Return a lens's name with what is known of it."""
        return f"{plain(name)} {self.lens_text.get(name, '')}".strip()

    def readings_to_take(self, each: Sequence[NextReading]) -> Iterator[Text]:
        """Write readings to take next, in their order, with what each leaves undecided."""
        return self.items((f"{number}.", self._to_take(one)) for number, one in enumerate(each, 1))

    def _to_take(self, one: NextReading) -> str:
        lens = self.lens(one.lens) + ("" if one.focal_mm is None else f" set to {one.focal_mm:g} mm")
        lens += " by picture" if one.by_picture else ""
        where = f"{lens} on {titled('body', one.body)} at {distance_text(one.distance_mm)}"
        return f"{where}: leaves what is undecided at {half_text(Z95 * one.sd_after_um)} µm"
