"""The units that a readings file names: the record's own where it knows them, else new ones."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from shimwise.bench.errors import InputError
from shimwise.bench.house.kit_units import body_of_kit, lens_of_rows
from shimwise.bench.house.unit_rows import row_of
from shimwise.bench.typed_lengths import is_metric
from shimwise.bench.typed_names import id_or_new
from shimwise.files.kit import Kit, KitBody, KitLens
from shimwise.files.rows import FileRow
from shimwise.notices import Notice
from shimwise.record import Connection
from shimwise.record.names import name_key
from shimwise.record.queries import units
from shimwise.record.tables.rows import BodyRow, LensRow


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsSource:
    """A readings file that was read, the kit beside it, and the digest of its content."""

    name: str
    digest: str
    kit: Kit
    rows: tuple[FileRow, ...]
    notices: tuple[Notice, ...]

    def id_of(self, *parts: object) -> str:
        """Make the id of something of this file; the same file makes the same id."""
        return hashlib.sha256("\x1f".join(map(str, (self.digest, *parts))).encode()).hexdigest()[:32]


@dataclass(frozen=True, slots=True)
class FileUnits:
    """The units of a file by the key of their name; ``new_ids`` are those that the record lacks."""

    bodies: dict[str, BodyRow]
    lenses: dict[str, LensRow]
    new_ids: frozenset[str]

    @classmethod
    def of(cls, connection: Connection, source: ReadingsSource) -> "FileUnits":
        """Look the units up.

        Raises
        ------
        ReadingsFileError, InputError
            If a unit that would be added cannot be, or one that is known is out of use.
        """
        bodies: dict[str, BodyRow] = {}
        lenses: dict[str, LensRow] = {}
        new: set[str] = set()
        kit_bodies = {name_key(name): body for name, body in source.kit.bodies.items()}
        kit_lenses = {name_key(name): lens for name, lens in source.kit.lenses.items()}
        for key, rows in rows_by_name(source.rows, "body").items():
            name = rows[0].reading.body
            body = units.unit_by_name(connection, BodyRow, name)
            if body is None:
                body = row_of(body_of_kit(name, kit_bodies.get(key, KitBody())), id=id_or_new(None))
                new.add(body.id)
            bodies[key] = body
        for key, rows in rows_by_name(source.rows, "lens").items():
            name = rows[0].reading.lens
            lens = units.unit_by_name(connection, LensRow, name)
            if lens is None:
                lens = _new_lens(name, rows, kit_lenses.get(key, KitLens()), file=source.name)
                new.add(lens.id)
            lenses[key] = lens
        _refuse_retired([*bodies.values(), *lenses.values()])
        return cls(bodies, lenses, frozenset(new))

    def body(self, row: FileRow) -> BodyRow:
        """Return the body of a row."""
        return self.bodies[name_key(row.reading.body)]

    def lens(self, row: FileRow) -> LensRow:
        """Return the lens of a row."""
        return self.lenses[name_key(row.reading.lens)]


def rows_by_name(rows: Iterable[FileRow], kind: str) -> dict[str, list[FileRow]]:
    """Part the rows by the key of their body's or lens's name."""
    found: dict[str, list[FileRow]] = {}
    for row in rows:
        found.setdefault(name_key(getattr(row.reading, kind)), []).append(row)
    return found


def _new_lens(name: str, rows: list[FileRow], kit: KitLens, *, file: str) -> LensRow:
    facts = lens_of_rows(
        name,
        [row.reading for row in rows],
        kit,
        is_metric=all(is_metric(row.reading_text) for row in rows),
        file=file,
    )
    return row_of(facts, id=id_or_new(None))


def _refuse_retired(found: list[BodyRow | LensRow]) -> None:
    for unit in found:
        if unit.is_retired:
            raise InputError(
                f"{unit.name} is out of use. Bring it back into use first, or leave its rows out.",
                field="data",
            )
