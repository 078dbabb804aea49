"""Take a readings file into the record: into a prep of its own, or into one that is there."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.desk.inputs import READING_FILE, Progress
from shimwise.bench.errors import InputError
from shimwise.bench.exchange.import_plan import Draft, draft_of, keep
from shimwise.bench.exchange.import_units import ReadingsSource
from shimwise.bench.house.unit_knowledge import kit_lens
from shimwise.bench.typed_names import optional_name
from shimwise.files.columns import KNOWN, SEPARATORS, plain_column
from shimwise.files.csv_rows import filled_rows
from shimwise.files.decoding import decoded
from shimwise.files.kit import Kit, KitLens
from shimwise.files.kit_file import read_kit
from shimwise.files.readings import parse_readings
from shimwise.notices import WordedNotice
from shimwise.record.names import name_key
from shimwise.record.queries import units
from shimwise.record.record import Record
from shimwise.record.tables.rows import LensRow
from shimwise.sheets.words.notices import worded

MOST_ROWS = 5_000
ALL = 1_000_000
ONLY_READINGS = frozenset(KNOWN) & {"body", "lens", "distance", "reading", "operator", "setup"}
ONLY_LIST = frozenset({"kind", "name"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsOutcome:
    """What taking in a readings file did, or would do.

    Attributes
    ----------
    prep_id, title : str
        The prep that the readings are in.
    is_new : bool
        Whether that prep was started for them.
    is_dry_run : bool
        Whether nothing was written.
    bodies, lenses, setups : tuple of str
        Names of what was added.
    added, there : int
        Readings added, and those of this file that were there already.
    warnings, notices : tuple
        Sentences about the file; the same with their codes.
    """

    prep_id: str
    title: str
    is_new: bool
    is_dry_run: bool
    bodies: tuple[str, ...]
    lenses: tuple[str, ...]
    setups: tuple[str, ...]
    added: int
    there: int
    warnings: tuple[str, ...]
    notices: tuple[WordedNotice, ...]


def is_readings_file(data: bytes, *, name: str) -> bool:
    """Return whether a CSV is a readings file by its header; else it is a house's list.

    Raises
    ------
    ReadingsFileError
        If it is no text, or holds nothing.
    InputError
        If the header is neither's.
    """
    text = decoded(data, name=name).text
    for separator in SEPARATORS:
        _, cells = next(filled_rows(text, separator, name), (1, [""]))
        columns = {plain_column(cell) for cell in cells}
        if columns & ONLY_LIST:
            return False
        if len(columns & ONLY_READINGS) > 1:
            return True
    raise InputError(
        f"{name}: its first line is the header of no readings file (which names {', '.join(KNOWN[:8])}) "
        f"and of no house's list (which names {' and '.join(sorted(ONLY_LIST))}). Write one above the rows.",
        field="data",
    )


def import_readings(
    record: Record,
    data: bytes,
    *,
    who: Who,
    name: str = "the file",
    kit_path: str | Path | None = None,
    prep_id: str | None = None,
    title: str = "",
    is_dry_run: bool = False,
    unit: str | None = None,
    progress: Progress | None = None,
) -> ReadingsOutcome:
    """Take in a readings file, all of it or nothing; or return what that would do.

    The same file taken in again adds nothing. Units that the record knows are used as they are; those that it
    lacks are added, from the kit or the rows.

    Parameters
    ----------
    record : Record
        Where it goes.
    data : bytes
        The CSV, as :mod:`shimwise.files.readings` describes it.
    who : str
        Who does it.
    name : str
        The file, for messages.
    kit_path : path, optional
        What is known of the units that the record lacks.
    prep_id : str, optional
        The prep that takes the readings; without it one is started for them.
    title : str
        Of a prep that is started; without it its units make one.
    is_dry_run : bool
        Change nothing.
    unit : str, optional
        Unit of bare numbers in the readings file: mm, cm, m, in or ft.
    progress : callable, optional
        Called from time to time.

    Raises
    ------
    ReadingsFileError, KitError
        If a file is refused: with the place that is wrong.
    InputError
        If a unit is out of use, a value is none that the record takes, or there are too many.
    NotFound
        If there is no such prep.
    Conflict
        If readings would be added to a prep that is closed or signed.
    """
    person, wanted = permitted(who, Act.IMPORT), optional_name(title, field="title")
    kit = Kit() if kit_path is None else read_kit(kit_path)
    source = _read(record, data, name=name, kit=kit, unit=unit, progress=progress)
    make = partial(draft_of, source, prep_id=prep_id, title=wanted, who=person)
    if is_dry_run:
        with record.reading() as connection:
            return _outcome(make(connection), source, is_dry_run=True)
    with changing(record, who, Act.IMPORT) as change:
        draft = make(change.connection, at=change.at)
        keep(change, source, draft, progress)
    return _outcome(draft, source, is_dry_run=False)


class _Lenses(Mapping[str, KitLens]):
    """Lenses found whatever the case of their name, those of the record before those of the kit."""

    def __init__(self, of_kit: Mapping[str, KitLens], of_record: Iterable[LensRow]) -> None:
        self.names = tuple(of_kit)
        self.by_key = {name_key(name): lens for name, lens in of_kit.items()}
        for row in of_record:
            self.by_key[name_key(row.name)] = replace(kit_lens(row), squeeze=row.squeeze or 1.0)

    def __getitem__(self, name: str) -> KitLens:
        return self.by_key[name_key(name)]

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)


def _read(
    record: Record,
    data: bytes,
    *,
    name: str,
    kit: Kit,
    unit: str | None,
    progress: Progress | None,
) -> ReadingsSource:
    """Read the file; what the record knows of a lens holds for its rows, before the kit."""
    with record.reading() as connection:
        known = units.units(connection, LensRow, limit=ALL, has_retired=True)
    report = None if progress is None else partial(progress, READING_FILE)
    lenses = Kit(lenses=_Lenses(kit.lenses, known))
    file = parse_readings(data, name=name, kit=lenses, unit=unit, progress=report)
    if len(file.rows) > MOST_ROWS:
        raise InputError(
            f"{name} has {len(file.rows):,} readings; at most {MOST_ROWS:,} are taken in at once. "
            "Part it into preps.",
            field="data",
        )
    return ReadingsSource(
        name=name,
        digest=hashlib.sha256(data).hexdigest(),
        kit=kit,
        rows=file.rows,
        notices=file.notices,
    )


def _outcome(draft: Draft, source: ReadingsSource, *, is_dry_run: bool) -> ReadingsOutcome:
    notices = tuple(worded(one, is_house=True) for one in (*source.notices, *draft.notices))
    return ReadingsOutcome(
        prep_id=draft.prep.id,
        title=draft.prep.title,
        is_new=draft.is_new,
        is_dry_run=is_dry_run,
        bodies=tuple(row.name for row in draft.bodies),
        lenses=tuple(row.name for row in draft.lenses),
        setups=tuple(row.name for row in draft.setups),
        added=len(draft.readings),
        there=len(source.rows) - len(draft.readings),
        warnings=tuple(one.text for one in notices),
        notices=notices,
    )
