"""What a readings file adds to a record: units, a prep, set-ups, readings; looked up first, then kept.

The ids of what is added follow from the file's content and the line, so that a second time nothing is new.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from shimwise.bench.desk.inputs import Progress
from shimwise.bench.errors import InputError, NotFound
from shimwise.bench.exchange.import_messages import (
    adjusted_units,
    kept_facts,
    kit_not_taken,
    kit_tolerance,
    repeats,
)
from shimwise.bench.exchange.import_units import FileUnits, ReadingsSource
from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep.preps import MOST_BODIES, MOST_LENSES, prep_title
from shimwise.bench.prep.setups import new_setup, setup_at
from shimwise.bench.prep.states import OPEN, refuse_unless_open
from shimwise.bench.typed_lengths import TypedLength
from shimwise.fields import build_from
from shimwise.files.rows import FileRow
from shimwise.notices import Notice
from shimwise.record.names import name_key
from shimwise.record.queries import evidence, units
from shimwise.record.queries import preps as kept
from shimwise.record.record import Change, Connection
from shimwise.record.tables.rows import BodyRow, GaugeRow, LensRow, PrepRow, ReadingRow, SetupRow
from shimwise.sheets.words.shared import counted

PROGRESS_EVERY = 50
TICK = timedelta(microseconds=1)
ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """The prep, and what is new: units, set-ups, gauges and readings; and notices."""

    prep: PrepRow
    is_new: bool
    bodies: tuple[BodyRow, ...] = ()
    lenses: tuple[LensRow, ...] = ()
    setups: tuple[SetupRow, ...] = ()
    gauges: tuple[GaugeRow, ...] = ()
    readings: tuple[ReadingRow, ...] = ()
    notices: tuple[Notice, ...] = ()


def draft_of(
    source: ReadingsSource,
    connection: Connection,
    *,
    prep_id: str | None,
    title: str,
    who: str,
    at: datetime = ANY_TIME,
) -> Draft:
    """Look up what a file adds.

    Raises
    ------
    ReadingsFileError, InputError, NotFound, Conflict
        As :func:`shimwise.bench.exchange.import_readings.import_readings`.
    """
    prep = _prep(connection, prep_id or source.id_of("prep"), is_there=prep_id is not None)
    there = [] if prep is None else evidence.readings(connection, prep.id)
    of_prep = prep_id or source.id_of("prep")
    ids = {row: source.id_of("reading", of_prep, row.reading.line) for row in source.rows}
    known_ids = {row.id for row in there}
    rows = [row for row in source.rows if ids[row] not in known_ids]
    if prep is not None and not rows:
        return Draft(prep=prep, is_new=False)
    if prep is not None:
        refuse_unless_open(connection, prep.id)
    house = settings_in(connection)
    found = FileUnits.of(connection, source)
    is_new = prep is None
    prep = prep or _new_prep(source, found, house, id=of_prep, title=title, who=who, at=at)
    known = evidence.setups(connection, prep.id)
    taped = _Taped(prep.id, source, who, at, known)
    readings = tuple(_reading(ids[row], row, prep, found, taped, at) for row in rows)
    prep = _with_units(prep, found)
    return Draft(
        prep=prep,
        is_new=is_new,
        bodies=tuple(row for row in found.bodies.values() if row.id in found.new_ids),
        lenses=tuple(row for row in found.lenses.values() if row.id in found.new_ids),
        setups=tuple(taped.new),
        gauges=tuple(_gauges(source, found, prep, who=who, at=at)),
        readings=readings,
        notices=(
            *adjusted_units(connection, prep, found),
            *kept_facts(source, found),
            *kit_tolerance(source, prep, house),
            *kit_not_taken(source, found),
            *repeats(there, readings, [*taped.known, *taped.new], rows),
        ),
    )


def keep(change: Change, source: ReadingsSource, draft: Draft, progress: Progress | None) -> None:
    """Write what is new into the record."""
    if not draft.readings:
        return
    new: list[BodyRow | LensRow] = [*draft.bodies, *draft.lenses]
    for unit in new:
        units.add_unit(change, unit)
    prep = draft.prep
    if draft.is_new:
        kept.add_prep(change, prep)
    else:
        kept.add_units(change, prep.id, body_ids=prep.body_ids, lens_ids=prep.lens_ids)
    for setup in draft.setups:
        evidence.add_setup(change, setup)
    for gauge in draft.gauges:
        evidence.add_gauge(change, gauge)
    for count, reading in enumerate(draft.readings):
        if progress is not None and count % PROGRESS_EVERY == 0:
            progress("Taking in the readings", count, len(draft.readings))
        evidence.add_reading(change, reading)
    detail = {"file": source.name, "sha256": source.digest, "readings": len(draft.readings)}
    change.note("readings imported", prep_id=prep.id, detail=detail)


def _prep(connection: Connection, prep_id: str, *, is_there: bool) -> PrepRow | None:
    """Return the prep, None where it is to be started."""
    try:
        return kept.prep(connection, prep_id)
    except NotFound:
        if is_there:
            raise
        return None


def _new_prep(
    source: ReadingsSource,
    found: FileUnits,
    house: HouseSettings,
    *,
    id: str,  # noqa: A002
    title: str,
    who: str,
    at: datetime,
) -> PrepRow:
    """Return the prep that is started for a file; the kit's tolerance holds where no body has its own."""
    names = [body.name for body in found.bodies.values()]
    wanted_um = source.kit.tolerance_um
    has_own = any(body.tolerance_um is not None for body in found.bodies.values())
    return PrepRow(
        id=id,
        title=title or prep_title(names, None, len(found.lenses)),
        started_at=at,
        started_by=who,
        state=OPEN,
        tolerance_um=None if has_own or wanted_um == house.tolerance_um else wanted_um,
    )


def _with_units(prep: PrepRow, found: FileUnits) -> PrepRow:
    """Return the prep with the file's units in it.

    Raises
    ------
    InputError
        If they are too many.
    """
    bodies = tuple(dict.fromkeys((*prep.body_ids, *(body.id for body in found.bodies.values()))))
    lenses = tuple(dict.fromkeys((*prep.lens_ids, *(lens.id for lens in found.lenses.values()))))
    for ids, most, word in ((bodies, MOST_BODIES, "body"), (lenses, MOST_LENSES, "lens")):
        if len(ids) > most:
            raise InputError(
                f"The prep would have {counted(len(ids), word)}; it has at most {most}. Part the file into "
                "preps.",
                field="data",
            )
    return replace(prep, body_ids=bodies, lens_ids=lenses)


@dataclass(slots=True)
class _Taped:
    """The set-ups of a prep, and those that a file tapes."""

    prep_id: str
    source: ReadingsSource
    who: str
    at: datetime
    known: list[SetupRow]
    new: list[SetupRow] = field(default_factory=list)
    found: dict[tuple[str, str, float], SetupRow] = field(default_factory=dict)

    def at_row(self, row: FileRow, body: BodyRow) -> SetupRow:
        """Return the set-up of a row: of this name, body and distance; taped now where there is none."""
        name, distance = row.reading.setup, TypedLength(row.distance_text, row.reading.distance_mm)
        key = (body.id, name_key(name), distance.mm)
        if key not in self.found:
            same = [one for one in (*self.known, *self.new) if name_key(one.name) == key[1]]
            found = setup_at(same, body_id=body.id, distance=distance)
            if found is None:
                found = new_setup(
                    self.prep_id,
                    body,
                    distance,
                    known=(*self.known, *self.new),
                    taped_by=self.who,
                    taped_at=self.at + len(self.new) * TICK,  # set-ups are listed by it: as in the file
                    id=self.source.id_of("setup", self.prep_id, row.reading.line),
                    name=name,
                )
                self.new.append(found)
            self.found[key] = found
        return self.found[key]


def _reading(
    id_: str, row: FileRow, prep: PrepRow, found: FileUnits, taped: _Taped, at: datetime
) -> ReadingRow:
    reading = row.reading
    body, lens = found.body(row), found.lens(row)
    return build_from(
        ReadingRow,
        reading,
        id=id_,
        prep_id=prep.id,
        setup_id=taped.at_row(row, body).id,
        body_id=body.id,
        lens_id=lens.id,
        body_epoch=body.epoch,
        lens_epoch=lens.epoch,
        axis=reading.axis.value if reading.axis else "",
        reading_text=row.reading_text,
        at_text=reading.at,
        taken_at=at,
        **({} if row.picture is None else row.picture.kept()),
    )


def _gauges(
    source: ReadingsSource, found: FileUnits, prep: PrepRow, *, who: str, at: datetime
) -> Iterator[GaugeRow]:
    """Return the kit's gauge values of the units that are added; a known unit's may be of another epoch."""
    for kind, rows, in_kit in (
        ("body", found.bodies.values(), source.kit.bodies),
        ("lens", found.lenses.values(), source.kit.lenses),
    ):
        of_kit = {name_key(name): unit for name, unit in in_kit.items()}
        for row in rows:
            known = of_kit.get(name_key(row.name))
            if row.id in found.new_ids and known and known.gauge_um is not None and known.gauge_sd_um:
                yield GaugeRow(
                    id=source.id_of("gauge", prep.id, kind, name_key(row.name)),
                    unit_kind=kind,
                    unit_id=row.id,
                    value_um=known.gauge_um,
                    sd_um=known.gauge_sd_um,
                    taken_by=who,
                    taken_at=at,
                    prep_id=prep.id,
                    note="from the kit file",
                )
