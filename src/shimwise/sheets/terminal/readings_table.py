"""Readings in few lines: a row for each body and lens, a column for each taped distance."""

from collections.abc import Iterable, Mapping

from rich.table import Table

from shimwise.inference.model.prep import Reading
from shimwise.lengths import mm_to_feet_text
from shimwise.sheets.terminal.canvas import BOLD_STYLE
from shimwise.sheets.words.shared import plain_or_ascii


def readings_table(
    readings: Iterable[Reading], *, lens_text: Mapping[str, str] | None = None, is_ascii: bool = False
) -> Table:
    """Compose the table; what was read at one distance is in one cell, in its order.

    Parameters
    ----------
    readings : iterable of Reading
        As many as fit a page; distances are written in feet, to a sixteenth of an inch.
    lens_text : mapping of str to str, optional
        What is known of a lens, by name: ``18 mm f/2``.
    is_ascii : bool
        Whether to write in ASCII.
    """
    cells: dict[tuple[str, str], dict[float, list[str]]] = {}
    for reading in readings:
        row = cells.setdefault((reading.body, reading.lens), {})
        row.setdefault(reading.distance_mm, []).append(mm_to_feet_text(reading.reading_mm))
    distances = sorted({distance_mm for row in cells.values() for distance_mm in row})
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style=BOLD_STYLE)
    for title in ("Body", "Lens", *(f"taped at {mm_to_feet_text(distance)}" for distance in distances)):
        table.add_column(title, no_wrap=True)
    last_body = None
    for (body, lens), row in cells.items():
        name = f"{lens} {(lens_text or {}).get(lens, '')}".strip()
        words = (
            "" if body == last_body else body,
            name,
            *(", ".join(row.get(distance, ())) for distance in distances),
        )
        table.add_row(*(plain_or_ascii(word, is_ascii=is_ascii) if word else "" for word in words))
        last_body = body
    return table
