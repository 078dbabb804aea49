"""Preps: one job each, with its units, its state, and a revision that goes up with every change of it."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Text,
    and_,
    bindparam,
    exists,
    func,
    or_,
    select,
    update,
)

from shimwise.record.errors import NotFound
from shimwise.record.names import name_key
from shimwise.record.queries.text_search import contains, key_contains
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, insert, one, same_or_conflict
from shimwise.record.tables.rows import PrepLineRow, PrepRow

if TYPE_CHECKING:
    from shimwise.record.record import Change

__all__ = [
    "add_prep",
    "add_units",
    "change_prep",
    "change_state",
    "count_preps",
    "place_units",
    "prep",
    "prep_lines",
    "set_preps",
    "touch",
    "unit_preps",
]

_T, _BODIES, _LENSES = schema.preps, schema.prep_bodies, schema.prep_lenses
_STARTED = frozenset({"started_at", "started_by", "state", "closed_at", "closed_by"})
_NUMBERING = (  # made once: every reading is numbered by it
    update(_T)
    .where(_T.c.id == bindparam("of_prep", type_=Text))
    .values(revision=_T.c.revision + 1, reading_count=_T.c.reading_count + 1)
    .returning(_T.c.reading_count)
)
_CHANGEABLE = frozenset({"title", "note", "temperature_c", "tolerance_um", "set_id"})


def add_prep(change: "Change", row: PrepRow) -> PrepRow:
    """Add a prep with its units; the same again changes nothing and gives what is kept.

    Raises
    ------
    Conflict
        When the id is another prep's, or a unit is not known.
    """
    there = change.connection.execute(select(_T.c.id).where(_T.c.id == row.id)).scalar_one_or_none()
    if there is not None:
        kept = prep(change.connection, row.id)
        same_or_conflict(kept, row, kind="prep", server_made=_STARTED)
        return kept
    insert(change.connection, _T, row, title_key=name_key(row.title), reading_count=0)
    place_units(change, row.id, row.body_ids, row.lens_ids)
    change.note("prep started", prep_id=row.id, detail={"title": row.title})
    return row


def prep(connection: Connection, prep_id: str) -> PrepRow:
    """Give a prep with its units in their order.

    Raises
    ------
    NotFound
        When there is none of this id.
    """
    found = one(connection, _T, prep_id, "prep")
    return from_mapping(
        PrepRow,
        found,
        body_ids=_unit_ids(connection, _BODIES.c.body_id, _BODIES, prep_id),
        lens_ids=_unit_ids(connection, _LENSES.c.lens_id, _LENSES, prep_id),
    )


def touch(change: "Change", prep_id: str) -> int:
    """Raise a prep's revision, as every change of the prep does; gives the new one.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    return int(_raised(change, prep_id).revision)


def next_reading_number(change: "Change", prep_id: str) -> int:
    """Raise a prep's revision and the count of its readings; gives the number of the next reading.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    number = change.connection.execute(_NUMBERING, {"of_prep": prep_id}).scalar_one_or_none()
    if number is None:
        raise NotFound("prep", prep_id)
    return int(number)


def change_prep(change: "Change", prep_id: str, **values: Any) -> PrepRow:
    """Change ``title``, ``note``, ``temperature_c``, ``tolerance_um`` or ``set_id`` of a prep.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    unknown = set(values) - _CHANGEABLE
    if unknown:
        raise TypeError(f"{', '.join(sorted(unknown))} of a prep cannot be changed")
    before = prep(change.connection, prep_id)
    changed = {name: value for name, value in values.items() if getattr(before, name) != value}
    if not changed:
        return before
    keys = {"title_key": name_key(changed["title"])} if "title" in changed else {}
    _raised(change, prep_id, **changed, **keys)
    detail = {name: [getattr(before, name), value] for name, value in changed.items()}
    change.note("prep changed", prep_id=prep_id, detail=detail)
    return prep(change.connection, prep_id)


def change_state(change: "Change", prep_id: str, state: str) -> PrepRow:
    """Put a prep into another state: ``open``, ``done`` or ``signed``.

    Raises
    ------
    NotFound
        When there is no such prep.
    """
    before = prep(change.connection, prep_id)
    if before.state == state:
        return before
    closed: dict[str, Any] = {"closed_at": None, "closed_by": ""}
    if state != "open":
        closed = {"closed_at": before.closed_at or change.at, "closed_by": before.closed_by or change.who}
    _raised(change, prep_id, state=state, **closed)
    change.note(f"prep {state}", prep_id=prep_id, detail={"before": before.state})
    return prep(change.connection, prep_id)


def add_units(
    change: "Change", prep_id: str, *, body_ids: tuple[str, ...] = (), lens_ids: tuple[str, ...] = ()
) -> PrepRow:
    """Add bodies and lenses to a prep; those in it already stay in their place.

    Raises
    ------
    NotFound
        When there is no such prep.
    Conflict
        When a unit is not known.
    """
    before = prep(change.connection, prep_id)
    bodies = tuple(id_ for id_ in dict.fromkeys(body_ids) if id_ not in before.body_ids)
    lenses = tuple(id_ for id_ in dict.fromkeys(lens_ids) if id_ not in before.lens_ids)
    if not bodies and not lenses:
        return before
    place_units(
        change, prep_id, bodies, lenses, first_body=len(before.body_ids), first_lens=len(before.lens_ids)
    )
    touch(change, prep_id)
    change.note("units added", prep_id=prep_id, detail={"body_ids": list(bodies), "lens_ids": list(lenses)})
    return prep(change.connection, prep_id)


def prep_lines(
    connection: Connection,
    *,
    state: str | None = None,
    search: str | None = None,
    limit: int = 50,
    before: str | None = None,
) -> list[PrepLineRow]:
    """List preps, newest first.

    Parameters
    ----------
    state : str, optional
        ``open``, ``done`` or ``signed``.
    search : str, optional
        Part of the title, or of the name or serial of a unit.
    limit : int
        Most of them.
    before : str, optional
        Id of the last one of the page before.

    Raises
    ------
    NotFound
        When ``before`` is no prep.
    """
    wanted = select(_T).order_by(_T.c.started_at.desc(), _T.c.id.desc()).limit(limit)
    if state is not None:
        wanted = wanted.where(_T.c.state == state)
    if search:
        wanted = wanted.where(_has_text(connection, search))
    if before is not None:
        last = one(connection, _T, before, "prep")
        wanted = wanted.where(
            _T.c.started_at <= last["started_at"],
            or_(_T.c.started_at < last["started_at"], _T.c.id < last["id"]),
        )
    return _lines(connection, wanted)


def unit_preps(
    connection: Connection, unit_id: str, *, limit: int = 50, before: str | None = None
) -> list[PrepLineRow]:
    """List the preps that test a body or a lens, newest first; ``before`` as in :func:`prep_lines`."""
    ids = (
        select(_BODIES.c.prep_id)
        .where(_BODIES.c.body_id == unit_id)
        .union_all(select(_LENSES.c.prep_id).where(_LENSES.c.lens_id == unit_id))
        .subquery()
    )
    wanted = (
        select(_T)
        .join(ids, ids.c.prep_id == _T.c.id)
        .order_by(_T.c.started_at.desc(), _T.c.id.desc())
        .limit(limit)
    )
    if before is not None:
        last = one(connection, _T, before, "prep")
        wanted = wanted.where(
            or_(
                _T.c.started_at < last["started_at"],
                and_(_T.c.started_at == last["started_at"], _T.c.id < last["id"]),
            )
        )
    return _lines(connection, wanted)


def set_preps(connection: Connection, set_id: str, *, limit: int) -> list[PrepLineRow]:
    """List the preps that were started with a set, newest first."""
    wanted = select(_T).where(_T.c.set_id == set_id).order_by(_T.c.started_at.desc(), _T.c.id.desc())
    return _lines(connection, wanted.limit(limit))


def count_preps(connection: Connection, *, state: str | None = None) -> int:
    """Count preps: all, or those in one state."""
    wanted = select(func.count()).select_from(_T)
    if state is not None:
        wanted = wanted.where(_T.c.state == state)
    return int(connection.execute(wanted).scalar_one())


def _raised(change: "Change", prep_id: str, **values: Any) -> Any:
    raising = (
        update(_T)
        .where(_T.c.id == prep_id)
        .values(revision=_T.c.revision + 1, **values)
        .returning(_T.c.revision, _T.c.reading_count)
    )
    found = change.connection.execute(raising).one_or_none()
    if found is None:
        raise NotFound("prep", prep_id)
    return found


def place_units(
    change: "Change",
    prep_id: str,
    body_ids: tuple[str, ...],
    lens_ids: tuple[str, ...],
    *,
    first_body: int = 0,
    first_lens: int = 0,
) -> None:
    """Write bodies and lenses into their places in a prep, from ``first_body`` and ``first_lens`` on.

    The prep's revision stays, and the journal says nothing: that is for whoever starts the prep, adds units
    or takes a prep in.
    """
    for table, column, ids, first in (
        (_BODIES, "body_id", body_ids, first_body),
        (_LENSES, "lens_id", lens_ids, first_lens),
    ):
        places = [
            {"prep_id": prep_id, "place": place, column: unit_id}
            for place, unit_id in enumerate(ids, start=first)
        ]
        if places:
            change.connection.execute(table.insert(), places)


def _unit_ids(connection: Connection, column: Any, table: Any, prep_id: str) -> tuple[str, ...]:
    wanted = select(column).where(table.c.prep_id == prep_id).order_by(table.c.place)
    return tuple(connection.execute(wanted).scalars())


def _has_text(connection: Connection, search: str) -> ColumnElement[bool]:
    """Title, or a unit's name or serial; the units are few, so their ids are looked up first."""
    found: list[ColumnElement[bool]] = [key_contains(_T.c.title_key, search)]
    for units, within, column in (
        (schema.bodies, _BODIES, _BODIES.c.body_id),
        (schema.lenses, _LENSES, _LENSES.c.lens_id),
    ):
        named = select(units.c.id).where(
            or_(key_contains(units.c.name_key, search), contains(units.c.serial, search))
        )
        ids = list(connection.execute(named.limit(200)).scalars())
        if ids:
            found.append(exists().where(within.c.prep_id == _T.c.id, column.in_(ids)))
    return or_(*found)


def _lines(connection: Connection, wanted: Select[Any]) -> list[PrepLineRow]:
    found = connection.execute(wanted).mappings().all()
    ids = [row["id"] for row in found]
    bodies: dict[str, list[str]] = {}
    of_bodies = (
        select(_BODIES.c.prep_id, schema.bodies.c.name)
        .join(schema.bodies, schema.bodies.c.id == _BODIES.c.body_id)
        .where(_BODIES.c.prep_id.in_(ids))
        .order_by(_BODIES.c.prep_id, _BODIES.c.place)
    )
    for line in connection.execute(of_bodies):
        bodies.setdefault(line.prep_id, []).append(line.name)
    counted = (
        select(_LENSES.c.prep_id, func.count().label("lenses"))
        .where(_LENSES.c.prep_id.in_(ids))
        .group_by(_LENSES.c.prep_id)
    )
    lenses = {count.prep_id: count.lenses for count in connection.execute(counted)}
    set_ids = {row["set_id"] for row in found if row["set_id"]}
    of_sets = select(schema.sets.c.id, schema.sets.c.name).where(schema.sets.c.id.in_(set_ids))
    sets = {named.id: named.name for named in connection.execute(of_sets)}
    headlines, withdrawn = _headlines(connection, ids), _withdrawn(connection, ids)
    is_read = {row["id"] for row in found if row["reading_count"] > withdrawn.get(row["id"], 0)}
    bare = {row["id"] for row in found if row["state"] == "open"} - is_read - _swept(connection, ids)
    return [
        from_mapping(
            PrepLineRow,
            {**row, "reading_count": row["reading_count"] - withdrawn.get(row["id"], 0)},
            lens_count=lenses.get(row["id"], 0),
            body_names=tuple(bodies.get(row["id"], ())),
            set_name=sets.get(row["set_id"], ""),
            headline="" if row["id"] in bare else headlines.get(row["id"], ""),
        )
        for row in found
    ]


def _withdrawn(connection: Connection, ids: list[str]) -> dict[str, int]:
    """Count the readings of each prep that are withdrawn."""
    table = schema.readings
    wanted = (
        select(table.c.prep_id, func.count().label("withdrawn"))
        .where(table.c.prep_id.in_(ids), table.c.withdrawn_at.is_not(None))
        .group_by(table.c.prep_id)
    )
    return {found.prep_id: found.withdrawn for found in connection.execute(wanted)}


def _swept(connection: Connection, ids: list[str]) -> set[str]:
    """Tell which preps have a sweep with a landing that stands."""
    table = schema.sweeps
    wanted = select(table.c.prep_id).where(
        table.c.prep_id.in_(ids), table.c.withdrawn_at.is_(None), table.c.landing_um.is_not(None)
    )
    return set(connection.execute(wanted).scalars())


def _headlines(connection: Connection, ids: list[str]) -> dict[str, str]:
    table = schema.verdicts
    latest = (
        select(table.c.headline)
        .where(table.c.prep_id == _T.c.id)
        .order_by(table.c.revision.desc(), table.c.given_at.desc())
        .limit(1)
        .scalar_subquery()
    )
    wanted = select(_T.c.id, latest.label("headline")).where(_T.c.id.in_(ids))
    return {found.id: found.headline or "" for found in connection.execute(wanted)}
