"""Bodies, lenses and sets of the house: add, change, list, show with their past, find by a label."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import NotFound
from shimwise.bench.house.known_units import known_cursor, known_units
from shimwise.bench.house.unit_checks import checked_set, checked_unit
from shimwise.bench.house.unit_rows import (
    adjustment_view,
    past_view,
    row_of,
    set_view,
    unit_view,
    used_in,
)
from shimwise.bench.house.views import (
    BodyFacts,
    Facts,
    LensFacts,
    SetFacts,
    SetShown,
    SetsPage,
    SetView,
    UnitShown,
    UnitsPage,
    UnitView,
)
from shimwise.bench.typed_names import id_or_new
from shimwise.files.names import look_alike_key
from shimwise.record.queries import preps, sets, units, verdicts
from shimwise.record.record import Connection, Record
from shimwise.record.tables.mapping import UNIT_ROWS
from shimwise.record.tables.rows import BodyRow, LensRow, SetRow

MOST_PREPS_SHOWN = 50
_LABEL = re.compile(r"(?:^|/)(?P<kind>body|bodies|lens|lenses|set|sets)[/:](?P<id>[0-9a-f]{32})(?:$|[/?#])")
_ROWS: Mapping[type[BodyFacts | LensFacts], type[BodyRow] | type[LensRow]] = {
    BodyFacts: BodyRow,
    LensFacts: LensRow,
}
_FOLDERS = {"bodies": "body", "lenses": "lens", "sets": "set"}


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelFound:
    """What a label names; ``kind`` is ``body``, ``lens`` or ``set``."""

    kind: str
    id: str
    name: str


def add_unit(record: Record, *, facts: Facts, who: Who, id: str | None = None) -> UnitView[Facts]:  # noqa: A002
    """Add a body or a lens, as the facts are.

    Raises
    ------
    InputError
        If a fact is out of its range.
    Conflict
        If the name, or the id with other facts, is taken.
    """
    permitted(who, Act.UNITS)
    row = row_of(checked_unit(facts), id=id_or_new(id))
    with changing(record, who, Act.UNITS) as change:
        return unit_view(units.add_unit(change, row))


def change_unit(record: Record, unit_id: str, *, facts: Facts, who: Who) -> UnitView[Facts]:
    """Replace the facts of a unit; errors as :func:`add_unit`, and NotFound."""
    permitted(who, Act.UNITS)
    row = row_of(checked_unit(facts), id=unit_id)
    with changing(record, who, Act.UNITS) as change:
        return unit_view(units.change_unit(change, row))


def list_units(
    record: Record,
    of: type[Facts],
    *,
    search: str = "",
    limit: int = 50,
    cursor: str = "",
    with_retired: bool = False,
) -> UnitsPage[Facts]:
    """List the bodies or the lenses by name, each with its latest verdict.

    Parameters
    ----------
    of : type
        ``BodyFacts`` or ``LensFacts``.
    search : str
        Part of a name, a serial number or a mount.
    limit : int
        Most units in the page.
    cursor : str
        ``next_cursor`` of the page before.
    with_retired : bool
        Whether to list units out of use too.
    """
    with record.reading() as connection, known_cursor(cursor):
        rows = units.units(
            connection,
            _ROWS[of],
            search=search.strip(),
            limit=limit + 1,
            after=cursor,
            has_retired=with_retired,
        )
        shown = _views(connection, rows[:limit])
    return UnitsPage(units=shown, next_cursor=shown[-1].id if len(rows) > limit else "")


def show_unit(record: Record, of: type[Facts], unit_id: str) -> UnitShown[Facts]:
    """Return a body or a lens with its past, its adjustments, its sets and where it is used, or NotFound."""
    with record.reading() as connection:
        row = units.unit(connection, _ROWS[of], unit_id)
        past = tuple(map(past_view, verdicts.unit_past(connection, unit_id)))
        return UnitShown(
            unit=unit_view(row, past[-1] if past else None),
            past=past,
            adjustments=tuple(map(adjustment_view, verdicts.unit_adjustments(connection, unit_id))),
            preps=tuple(map(used_in, preps.unit_preps(connection, unit_id, limit=MOST_PREPS_SHOWN))),
            sets=_set_views(connection, sets.sets_of_lens(connection, unit_id)),
            alike=tuple(
                name
                for name in units.other_names(connection, row)
                if look_alike_key(name) == look_alike_key(row.name)
            ),
        )


def add_set(record: Record, *, facts: SetFacts, who: Who, id: str | None = None) -> SetView:  # noqa: A002
    """Add a set; errors as :func:`add_unit`, and NotFound where a lens is not known."""
    permitted(who, Act.UNITS)
    wanted = checked_set(facts)
    row = SetRow(id=id_or_new(id), name=wanted.name, lens_ids=wanted.lens_ids, note=wanted.note)
    with changing(record, who, Act.UNITS) as change:
        known_units(change.connection, LensRow, wanted.lens_ids, field="lens_ids")
        return _set_views(change.connection, [sets.add_set(change, row)])[0]


def change_set(record: Record, set_id: str, *, facts: SetFacts, who: Who) -> SetView:
    """Replace a set's name, lenses and note; errors as :func:`add_set`."""
    permitted(who, Act.UNITS)
    wanted = checked_set(facts)
    row = SetRow(id=set_id, name=wanted.name, lens_ids=wanted.lens_ids, note=wanted.note)
    with changing(record, who, Act.UNITS) as change:
        known_units(change.connection, LensRow, wanted.lens_ids, field="lens_ids")
        return _set_views(change.connection, [sets.change_set(change, row)])[0]


def list_sets(record: Record, *, search: str = "", limit: int = 50, cursor: str = "") -> SetsPage:
    """List sets by name; parameters as :func:`list_units`."""
    with record.reading() as connection, known_cursor(cursor):
        rows = sets.sets(connection, search=search.strip(), limit=limit + 1, after=cursor)
        shown = _set_views(connection, rows[:limit])
    return SetsPage(sets=shown, next_cursor=shown[-1].id if len(rows) > limit else "")


def show_set(record: Record, set_id: str) -> SetShown:
    """Show a set, its lenses with the last verdict on each, and where it was tested.

    Raises
    ------
    NotFound
        When there is no such set.
    """
    with record.reading() as connection:
        row = sets.set_of(connection, set_id)
        rows = units.units_by_id(connection, LensRow, row.lens_ids)
        return SetShown(
            set=set_view(row, {lens.id: lens.name for lens in rows.values()}),
            lenses=_views(connection, list(rows.values())),
            preps=tuple(map(used_in, preps.set_preps(connection, set_id, limit=MOST_PREPS_SHOWN))),
        )


def find_label(record: Record, text: str) -> LabelFound | None:
    """Find what a label names: the address in its QR square, an id, or a name.

    A name that a body, a lens and a set share names the set first, then the body.
    """
    plain = " ".join(text.split())
    match = _LABEL.search(plain)
    with record.reading() as connection:
        if match is not None:
            return _by_id(connection, _FOLDERS.get(match["kind"], match["kind"]), match["id"])
        return _by_name(connection, plain)


def _by_id(connection: Connection, kind: str, unit_id: str) -> LabelFound | None:
    try:
        row = (
            sets.set_of(connection, unit_id)
            if kind == "set"
            else units.unit(connection, UNIT_ROWS[kind], unit_id)
        )
        return LabelFound(kind=kind, id=unit_id, name=row.name)
    except NotFound:
        return None


def _by_name(connection: Connection, name: str) -> LabelFound | None:
    of_set = sets.set_by_name(connection, name)
    if of_set is not None:
        return LabelFound(kind="set", id=of_set.id, name=of_set.name)
    for kind, of in UNIT_ROWS.items():
        found = units.unit_by_name(connection, of, name)
        if found is not None:
            return LabelFound(kind=kind, id=found.id, name=found.name)
    return None


def _views(connection: Connection, rows: Sequence[BodyRow | LensRow]) -> tuple[UnitView[Any], ...]:
    """Return units, each with its latest verdict."""
    latest = verdicts.unit_latest(connection, [row.id for row in rows])
    past = {unit_id: past_view(line) for unit_id, line in latest.items()}
    return tuple(unit_view(row, past.get(row.id)) for row in rows)


def _set_views(connection: Connection, rows: Iterable[SetRow]) -> tuple[SetView, ...]:
    found = list(rows)
    wanted = {lens_id for row in found for lens_id in row.lens_ids}
    names = {lens.id: lens.name for lens in units.units_by_id(connection, LensRow, wanted).values()}
    return tuple(set_view(row, names) for row in found)
