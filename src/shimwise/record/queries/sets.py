"""Sets: lenses that travel together."""

from sqlalchemy import Connection, select

from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.queries.text_search import key_contains
from shimwise.record.queries.units import MANY, refuse_taken, units_by_id
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import (
    changes,
    from_mapping,
    insert,
    key_of_page,
    rewrite,
    row_by_id,
    same_or_conflict,
    values_of,
)
from shimwise.record.tables.rows import LensRow, SetRow

_T, _IN = schema.sets, schema.set_lenses


def add_set(change: Change, row: SetRow) -> SetRow:
    """Add a set; the same again changes nothing.

    Raises
    ------
    Conflict
        If the id or the name is another set's.
    NotFound
        If a lens is unknown.
    """
    there = change.connection.execute(select(_T.c.id).where(_T.c.id == row.id)).scalar_one_or_none()
    if there is not None:
        kept = set_of(change.connection, row.id)
        same_or_conflict(kept, row)
        return kept
    refuse_taken(change.connection, row)
    units_by_id(change.connection, LensRow, row.lens_ids)
    insert(change.connection, row, name_key=name_key(row.name))
    _place_lenses(change, row)
    change.note("set added", detail={"set_id": row.id, "name": row.name})
    return row


def change_set(change: Change, row: SetRow) -> SetRow:
    """Replace the set of this id; raise as :func:`add_set`, and NotFound if there is no such set."""
    before = set_of(change.connection, row.id)
    if before == row:
        return before
    refuse_taken(change.connection, row)
    units_by_id(change.connection, LensRow, row.lens_ids)
    rewrite(change.connection, SetRow, row.id, **values_of(row), name_key=name_key(row.name))
    change.connection.execute(_IN.delete().where(_IN.c.set_id == row.id))
    _place_lenses(change, row)
    change.note("set changed", detail={"set_id": row.id, **changes(before, row)})
    return row


def set_of(connection: Connection, set_id: str) -> SetRow:
    """Return the set with this id; raise NotFound if there is none."""
    return row_by_id(connection, SetRow, set_id, lens_ids=_lens_ids(connection, [set_id]).get(set_id, ()))


def set_by_name(connection: Connection, name: str) -> SetRow | None:
    """Return the set with this name, whatever its case, or None."""
    found = connection.execute(select(_T.c.id).where(_T.c.name_key == name_key(name))).scalar_one_or_none()
    return None if found is None else set_of(connection, found)


def sets(
    connection: Connection, *, search: str | None = None, limit: int = MANY, after: str | None = None
) -> list[SetRow]:
    """Return sets by name; ``after``: id of the last one seen."""
    wanted = select(_T).order_by(_T.c.name_key).limit(limit)
    if search:
        wanted = wanted.where(key_contains(_T.c.name_key, search))
    if after:
        wanted = wanted.where(_T.c.name_key > key_of_page(connection, SetRow, after, "name_key"))
    found = connection.execute(wanted).mappings().all()
    lenses = _lens_ids(connection, [row["id"] for row in found])
    return [from_mapping(SetRow, row, lens_ids=lenses.get(row["id"], ())) for row in found]


def sets_of_lens(connection: Connection, lens_id: str) -> list[SetRow]:
    """Return the sets that a lens belongs to, by name."""
    ids = connection.execute(
        select(_T.c.id)
        .join(_IN, _IN.c.set_id == _T.c.id)
        .where(_IN.c.lens_id == lens_id)
        .order_by(_T.c.name_key)
    ).scalars()
    return [set_of(connection, id_) for id_ in list(ids)]


def _lens_ids(connection: Connection, set_ids: list[str]) -> dict[str, tuple[str, ...]]:
    wanted = select(_IN).where(_IN.c.set_id.in_(set_ids)).order_by(_IN.c.set_id, _IN.c.place)
    found: dict[str, list[str]] = {}
    for row in connection.execute(wanted):
        found.setdefault(row.set_id, []).append(row.lens_id)
    return {set_id: tuple(lens_ids) for set_id, lens_ids in found.items()}


def _place_lenses(change: Change, row: SetRow) -> None:
    places = [
        {"set_id": row.id, "place": place, "lens_id": lens_id} for place, lens_id in enumerate(row.lens_ids)
    ]
    if places:
        change.connection.execute(_IN.insert(), places)
