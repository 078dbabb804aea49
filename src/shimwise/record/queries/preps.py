"""Preps: one job each, with its units, its state, and a revision that goes up with every change of it.

Functions that change a prep raise NotFound if there is no such prep, and Conflict if the id is another
prep's or a unit is unknown.
"""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

import re
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    RowMapping,
    Select,
    Table,
    Text,
    bindparam,
    exists,
    func,
    or_,
    select,
    update,
)

from shimwise.record.errors import NotFound
from shimwise.record.journal import Change
from shimwise.record.names import name_key
from shimwise.record.queries.text_search import contains, key_contains
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, insert, key_of_page, row_by_id, same_or_conflict
from shimwise.record.tables.rows import PrepLine, PrepRow

_T, _BODIES, _LENSES = schema.preps, schema.prep_bodies, schema.prep_lenses
_ID_BEGINS = re.compile(r"[0-9a-f]{6,32}")
_NUMBERING = (  # made once: every reading is numbered by it
    update(_T)
    .where(
        _T.c.id == bindparam("of_prep", type_=Text),
        ~exists().where(schema.readings.c.id == bindparam("of_reading", type_=Text)),
    )
    .values(revision=_T.c.revision + 1, reading_count=_T.c.reading_count + 1)
    .returning(
        _T.c.reading_count,
        _T.c.revision,
        _T.c.state,
        exists().where(schema.people.c.role == bindparam("of_role", type_=Text)),
    )
)


class ReadingPlace(NamedTuple):
    """What a prep gives a new reading: its number, the prep's revision with it, and what has to hold for it.

    ``state`` is the prep's; ``has_role``: whether anybody has the role that was asked for.
    """

    number: int
    revision: int
    state: str
    has_role: bool


def add_prep(change: Change, row: PrepRow) -> PrepRow:
    """Add a prep with its units; the same again changes nothing. Return what is kept."""
    there = change.connection.execute(select(_T.c.id).where(_T.c.id == row.id)).scalar_one_or_none()
    if there is not None:
        kept = prep(change.connection, row.id)
        same_or_conflict(kept, row)
        return kept
    insert(change.connection, row, title_key=name_key(row.title), reading_count=0)
    place_units(change, row.id, row.body_ids, row.lens_ids)
    change.note("prep started", prep_id=row.id, detail={"title": row.title})
    return row


def prep(connection: Connection, prep_id: str) -> PrepRow:
    """Return the prep with this id, its units in their order; raise NotFound if there is none."""
    return row_by_id(
        connection,
        PrepRow,
        prep_id,
        body_ids=_unit_ids(connection, _BODIES.c.body_id, _BODIES, prep_id),
        lens_ids=_unit_ids(connection, _LENSES.c.lens_id, _LENSES, prep_id),
    )


def touch(change: Change, prep_id: str, **values: Any) -> None:
    """Raise a prep's revision, as every change of the prep does; ``values``: of other columns."""
    raising = update(_T).where(_T.c.id == prep_id).values(revision=_T.c.revision + 1, **values)
    if change.connection.execute(raising).rowcount != 1:
        raise NotFound("prep", prep_id)


def place_of_reading(
    change: Change, prep_id: str, reading_id: str, *, role: str | None = None
) -> ReadingPlace | None:
    """Raise a prep's revision and the count of its readings for a new one, in one statement.

    Returns None, and changes nothing, if there is no such prep or a reading of this id is kept already.
    """
    wanted = {"of_prep": prep_id, "of_reading": reading_id, "of_role": role}
    found = change.connection.execute(_NUMBERING, wanted).one_or_none()
    return None if found is None else ReadingPlace(*found)


def change_state(change: Change, prep_id: str, state: str) -> PrepRow:
    """Put a prep into another state: ``open``, ``done`` or ``signed``."""
    before = prep(change.connection, prep_id)
    if before.state == state:
        return before
    closed: dict[str, Any] = {"closed_at": None, "closed_by": ""}
    if state != "open":
        closed = {"closed_at": before.closed_at or change.at, "closed_by": before.closed_by or change.who}
    touch(change, prep_id, state=state, **closed)
    change.note(f"prep {state}", prep_id=prep_id, detail={"before": before.state})
    return prep(change.connection, prep_id)


def add_units(
    change: Change, prep_id: str, *, body_ids: tuple[str, ...] = (), lens_ids: tuple[str, ...] = ()
) -> None:
    """Add bodies and lenses to a prep; those in it already keep their place."""
    before = prep(change.connection, prep_id)
    bodies = tuple(id_ for id_ in dict.fromkeys(body_ids) if id_ not in before.body_ids)
    lenses = tuple(id_ for id_ in dict.fromkeys(lens_ids) if id_ not in before.lens_ids)
    if not bodies and not lenses:
        return
    place_units(
        change, prep_id, bodies, lenses, first_body=len(before.body_ids), first_lens=len(before.lens_ids)
    )
    touch(change, prep_id)
    change.note("units added", prep_id=prep_id, detail={"body_ids": list(bodies), "lens_ids": list(lenses)})


def prep_lines(
    connection: Connection,
    *,
    state: str | None = None,
    search: str | None = None,
    limit: int = 50,
    before: str | None = None,
) -> list[PrepLine]:
    """Return preps, newest first.

    Parameters
    ----------
    state : str, optional
        ``open``, ``done`` or ``signed``.
    search : str, optional
        Part of the title, or of the name or serial of a unit.
    limit : int
        Most preps to return.
    before : str, optional
        Id of the last one of the page before; raise NotFound if there is no such prep.
    """
    wanted = select(_T)
    if state is not None:
        wanted = wanted.where(_T.c.state == state)
    if search:
        wanted = wanted.where(_has_text(connection, search))
    return _lines(connection, wanted, limit=limit, before=before)


def unit_preps(connection: Connection, unit_id: str, *, limit: int = 50) -> list[PrepLine]:
    """Return the preps that test a body or a lens, newest first."""
    ids = (
        select(_BODIES.c.prep_id)
        .where(_BODIES.c.body_id == unit_id)
        .union_all(select(_LENSES.c.prep_id).where(_LENSES.c.lens_id == unit_id))
    )
    return _lines(connection, select(_T).where(_T.c.id.in_(ids)), limit=limit)


def set_preps(connection: Connection, set_id: str, *, limit: int) -> list[PrepLine]:
    """Return the preps that were started with a set, newest first."""
    return _lines(connection, select(_T).where(_T.c.set_id == set_id), limit=limit)


def place_units(
    change: Change,
    prep_id: str,
    body_ids: tuple[str, ...],
    lens_ids: tuple[str, ...],
    *,
    first_body: int = 0,
    first_lens: int = 0,
) -> None:
    """Write bodies and lenses into their places in a prep, from ``first_body`` and ``first_lens`` on.

    The prep's revision stays, and nothing is written into the journal: that is for whoever starts the prep,
    adds units or imports a prep.
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
    """Title, id's beginning, a unit's name or serial; the units are few, so their ids are looked up first."""
    found: list[ColumnElement[bool]] = [key_contains(_T.c.title_key, search)]
    if _ID_BEGINS.fullmatch(search):
        found.append(_T.c.id.startswith(search))
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


def _lines(
    connection: Connection, wanted: Select[Any], *, limit: int, before: str | None = None
) -> list[PrepLine]:
    """Return a page of preps, newest first."""
    wanted = wanted.order_by(_T.c.started_at.desc(), _T.c.id.desc()).limit(limit)
    if before is not None:
        at = key_of_page(connection, PrepRow, before, "started_at")
        # The first condition alone lets the index be entered at the page; the second parts equal times.
        wanted = wanted.where(_T.c.started_at <= at, or_(_T.c.started_at < at, _T.c.id < before))
    # First the page, then its lines: what is counted for a line is counted for no prep beyond the page.
    ids = list(connection.execute(wanted.with_only_columns(_T.c.id)).scalars())
    found = connection.execute(_LINES.where(_T.c.id.in_(ids))).mappings()
    lines = {line["id"]: line for line in found}
    names: dict[str, tuple[str, ...]] = {}
    for prep_id, name in connection.execute(_BODY_NAMES.where(_BODIES.c.prep_id.in_(ids))):
        names[prep_id] = (*names.get(prep_id, ()), name)
    return [_line(lines[prep_id], names.get(prep_id, ())) for prep_id in ids]


def _line(found: RowMapping, bodies: tuple[str, ...]) -> PrepLine:
    is_bare = found["state"] == "open" and not found["reading_count"] and not found["landing_count"]
    headline = "" if is_bare else found["latest_headline"] or ""
    set_name = found["named_set"] or ""
    return from_mapping(PrepLine, found, bodies=bodies, set_name=set_name, headline=headline)


def _count(table: Table, *conditions: ColumnElement[bool]) -> Any:
    """Return the number of a prep's rows in another table."""
    of_prep = select(func.count()).select_from(table).where(table.c.prep_id == _T.c.id, *conditions)
    return of_prep.scalar_subquery()


def latest_verdict(column: ColumnElement[Any]) -> Any:
    """Return a column of the verdict on a prep's latest revision that was judged, within a query of preps."""
    table = schema.verdicts
    of_prep = select(column).where(table.c.prep_id == _T.c.id)
    latest = of_prep.order_by(table.c.revision.desc(), table.c.given_at.desc()).limit(1)
    return latest.correlate(_T).scalar_subquery()


_READINGS, _SWEEPS = schema.readings, schema.sweeps
_LINES = select(
    *(_T.c[name] for name in ("id", "title", "state", "started_at", "started_by", "closed_at", "revision")),
    (_T.c.reading_count - _count(_READINGS, _READINGS.c.withdrawn_at.is_not(None))).label("reading_count"),
    _count(_LENSES).label("lens_count"),
    _count(_SWEEPS, _SWEEPS.c.withdrawn_at.is_(None), _SWEEPS.c.landing_um.is_not(None)).label(
        "landing_count"
    ),
    select(schema.sets.c.name).where(schema.sets.c.id == _T.c.set_id).scalar_subquery().label("named_set"),
    latest_verdict(schema.verdicts.c.headline).label("latest_headline"),
)
_BODY_NAMES = (
    select(_BODIES.c.prep_id, schema.bodies.c.name)
    .join(schema.bodies, schema.bodies.c.id == _BODIES.c.body_id)
    .order_by(_BODIES.c.prep_id, _BODIES.c.place)
)
