"""Notices of a readings file that is taken in, beside what it adds."""

from collections.abc import Iterator, Sequence

from shimwise.bench.exchange.import_units import FileUnits, ReadingsSource, rows_by_name
from shimwise.bench.house.views import HouseSettings
from shimwise.files.kit import KitBody, KitUnit
from shimwise.files.rows import FileRow
from shimwise.notices import Notice
from shimwise.record import Connection
from shimwise.record.names import name_key
from shimwise.record.queries import verdicts
from shimwise.record.tables.rows import BodyRow, PrepRow, ReadingRow, SetupRow
from shimwise.sheets.words.shared import listed


def adjusted_units(connection: Connection, prep: PrepRow, found: FileUnits) -> Iterator[Notice]:
    """Warn of units that were adjusted in the prep: a file does not state when it was read."""
    moved = {row.unit_id for row in verdicts.adjustments(connection, prep.id)}
    units = (*found.bodies.values(), *found.lenses.values())
    names = [unit.name for unit in units if unit.id in moved]
    if names:
        yield Notice("adjusted_in_prep", listed(names), {"count": len(names)})


def kept_facts(source: ReadingsSource, found: FileUnits) -> Iterator[Notice]:
    """Warn of lenses whose rows state what the record does not."""
    names = []
    for key, rows in rows_by_name(source.rows, "lens").items():
        lens, stated = found.lenses[key], rows[0].reading
        differs = stated.separation_mm is not None and lens.separation_mm is None and not lens.by_distance
        differs |= stated.focus_design is not None and stated.focus_design.value != lens.focus_design
        if differs and lens.id not in found.new_ids:
            names.append(lens.name)
    if names:
        yield Notice("record_kept", listed(names))


def kit_tolerance(source: ReadingsSource, prep: PrepRow, house: HouseSettings) -> Iterator[Notice]:
    """Warn where the kit's tolerance does not hold in the prep."""
    wanted_um = source.kit.tolerance_um
    if wanted_um is not None and wanted_um != (prep.tolerance_um or house.tolerance_um):
        yield Notice("kit_tolerance_not_taken", numbers={"tolerance_um": wanted_um})


def kit_not_taken(source: ReadingsSource, found: FileUnits) -> Iterator[Notice]:
    """Warn of units that the record knows, and whose mechanism, gauge or history only the kit has."""
    names = []
    for rows, in_kit in (
        (found.bodies.values(), source.kit.bodies),
        (found.lenses.values(), source.kit.lenses),
    ):
        of_kit: dict[str, KitUnit] = {name_key(name): unit for name, unit in in_kit.items()}
        for row in rows:
            unit = of_kit.get(name_key(row.name))
            if unit is None or row.id in found.new_ids:
                continue
            has_more = unit.gauge_um is not None
            has_more |= unit.history_sd_um is not None and row.history_sd_um is None
            if isinstance(unit, KitBody) and isinstance(row, BodyRow):
                has_more |= unit.mechanism is not None and row.mechanism is None
            if has_more:
                names.append(row.name)
    if names:
        yield Notice("kit_not_taken", listed(names))


def repeats(
    there: Sequence[ReadingRow],
    readings: Sequence[ReadingRow],
    setups: Sequence[SetupRow],
    rows: Sequence[FileRow],
) -> Iterator[Notice]:
    """Warn of readings equal to one of the prep, as when a file was changed and sent again."""
    names = {setup.id: name_key(setup.name) for setup in setups}
    known = {_content(row, names) for row in there if row.withdrawn_at is None}
    lines = [
        str(row.reading.line)
        for row, reading in zip(rows, readings, strict=True)
        if _content(reading, names) in known
    ]
    if lines:
        yield Notice("repeats", numbers={"count": len(lines), "lines": listed(lines)})


def _content(row: ReadingRow, names: dict[str, str]) -> tuple[object, ...]:
    return (
        row.body_id,
        row.body_epoch,
        row.lens_id,
        row.lens_epoch,
        names.get(row.setup_id, ""),
        row.reading_mm,
        row.landing_um,
        row.focal_mm,
        row.axis,
        name_key(row.operator),
        row.at_text,
        row.note,
    )
