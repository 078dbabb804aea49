"""What is to be told of a readings file that is taken in, beside what it adds."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from shimwise.bench.exchange.import_units import FileUnits, ReadingsSource, rows_by_name
from shimwise.files.rows import FileRow
from shimwise.record.names import name_key
from shimwise.record.queries import verdicts
from shimwise.sheets.words.shared import listed

if TYPE_CHECKING:
    from shimwise.bench.house.views import HouseSettings
    from shimwise.record import Connection
    from shimwise.record.tables.rows import PrepRow, ReadingRow, SetupRow

__all__ = ["told_of_adjusted", "told_of_facts", "told_of_repeats", "told_of_tolerance"]


def told_of_adjusted(connection: "Connection | None", prep: "PrepRow", found: FileUnits) -> Iterator[str]:
    """Tell of units that were adjusted in the prep: a file does not say when it was read."""
    rows = [] if connection is None else verdicts.adjustments(connection, prep.id)
    moved = {row.unit_id for row in rows}
    names = [body.name for body in found.bodies.values() if body.id in moved]
    names += [lens.name for lens in found.lenses.values() if lens.id in moved]
    if names:
        were = "was" if len(names) == 1 else "were"
        yield f"{listed(names)} {were} adjusted in this prep: the readings count as taken after that."


def told_of_facts(source: ReadingsSource, found: FileUnits) -> Iterator[str]:
    """Tell of lenses whose rows say what the record does not."""
    names = []
    for key, rows in rows_by_name(source.rows, "lens").items():
        lens, said = found.lenses[key], rows[0].reading
        differs = said.separation_mm is not None and lens.separation_mm is None and not lens.by_distance
        differs |= said.focus_design is not None and said.focus_design.value != lens.focus_design
        if differs and lens.id not in found.new_ids:
            names.append(lens.name)
    if names:
        yield f"What the record knows of {listed(names)} stands; the rows say more or other of it."


def told_of_tolerance(source: ReadingsSource, prep: "PrepRow", house: "HouseSettings") -> Iterator[str]:
    """Tell where the kit's tolerance does not hold in the prep."""
    wanted_um = source.kit.tolerance_um
    if wanted_um is not None and wanted_um != (prep.tolerance_um or house.tolerance_um):
        yield (
            f"The kit's tolerance of ±{wanted_um:g} µm is not taken over: the prep or its bodies have "
            "their own."
        )


def told_of_repeats(
    there: "Sequence[ReadingRow]",
    readings: "Sequence[ReadingRow]",
    setups: "Sequence[SetupRow]",
    rows: Sequence[FileRow],
) -> Iterator[str]:
    """Tell of readings that say what one of the prep says, as when a file was changed and sent again."""
    names = {setup.id: name_key(setup.name) for setup in setups}
    said = {_content(row, names) for row in there if row.withdrawn_at is None}
    lines = [
        str(row.reading.line)
        for row, reading in zip(rows, readings, strict=True)
        if _content(reading, names) in said
    ]
    if lines:
        says = "Line {} says" if len(lines) == 1 else "Lines {} say"
        yield (
            f"{says.format(listed(lines))} what readings of this prep say already, from another file or the "
            "pad; they count as repeats. Withdraw them if they are the same looks."
        )


def _content(row: "ReadingRow", names: dict[str, str]) -> tuple[object, ...]:
    return (
        row.body_id,
        row.body_epoch,
        row.lens_id,
        row.lens_epoch,
        names.get(row.setup_id, ""),
        row.reading_mm,
        row.focal_mm,
        row.axis,
        name_key(row.operator),
        row.at_text,
        row.note,
    )
