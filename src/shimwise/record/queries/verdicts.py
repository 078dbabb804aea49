"""What follows from the evidence: verdicts as given at the time, adjustments, sign-offs, a unit's past.

Functions that add a row raise Conflict if the id is another row's, or the prep or the unit is unknown.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, Select, func, select, update

from shimwise.record.errors import Conflict
from shimwise.record.journal import Change
from shimwise.record.queries.preps import touch
from shimwise.record.tables import schema
from shimwise.record.tables.mapping import from_mapping, insert, rows_of, rows_where, same_if_kept
from shimwise.record.tables.rows import AdjustmentRow, SignOffRow, UnitLineRow, VerdictRow

_LINES = select(schema.unit_lines, schema.preps.c.title.label("prep_title")).join_from(
    schema.unit_lines, schema.preps, schema.preps.c.id == schema.unit_lines.c.prep_id
)
_LINE_NUMBERS = ("error_um", "sd_um", "low_um", "high_um", "p_out")


def add_verdict(change: Change, row: VerdictRow) -> None:
    """Keep a verdict (its document is ``shimwise.verdict/2``), and its lines about each unit.

    A verdict changes nothing that is judged, so the prep's revision stays.
    """
    if same_if_kept(change.connection, row) is not None:
        return
    latest = latest_verdict(change.connection, row.prep_id)
    insert(change.connection, row)
    if latest is None or row.revision >= latest.revision:
        keep_lines(change.connection, row)
    detail = {"verdict_id": row.id, "revision": row.revision, "headline": row.headline}
    change.note("verdict given", prep_id=row.prep_id, detail=detail)


def latest_verdict(connection: Connection, prep_id: str) -> VerdictRow | None:
    """Return the verdict on the latest revision that was judged, or None."""
    table = schema.verdicts
    wanted = (
        select(table)
        .where(table.c.prep_id == prep_id)
        .order_by(table.c.revision.desc(), table.c.given_at.desc())
        .limit(1)
    )
    return next(iter(rows_of(connection, wanted, VerdictRow)), None)


def verdicts_of(connection: Connection, prep_id: str) -> list[VerdictRow]:
    """Return the verdicts of a prep, oldest first."""
    return rows_where(connection, VerdictRow, "revision", "given_at", "id", prep_id=prep_id)


def unit_past(connection: Connection, unit_id: str, *, limit: int = 200) -> list[UnitLineRow]:
    """Return the lines of each prep's latest verdict about a unit: the latest ``limit``, oldest first."""
    lines = schema.unit_lines
    found: list[UnitLineRow] = []
    for column in (lines.c.body_id, lines.c.lens_id):
        wanted = _LINES.where(column == unit_id).order_by(lines.c.given_at.desc()).limit(limit)
        found += rows_of(connection, wanted, UnitLineRow)
    return found[::-1]


def unit_latest(connection: Connection, unit_ids: list[str]) -> dict[str, UnitLineRow]:
    """Return the latest line of each of some units; those never judged are left out."""
    lines = schema.unit_lines
    of_unit = lines.alias()
    found = {}
    for units, column in ((schema.bodies, of_unit.c.body_id), (schema.lenses, of_unit.c.lens_id)):
        newest = (  # one step in the index for each unit, however long its past
            select(of_unit.c.id)
            .where(column == units.c.id)
            .order_by(of_unit.c.given_at.desc())
            .limit(1)
            .scalar_subquery()
        )
        wanted = _LINES.join(units, lines.c.id == newest).where(units.c.id.in_(unit_ids))
        found.update({line.unit_id: line for line in rows_of(connection, wanted, UnitLineRow)})
    return found


def add_adjustment(change: Change, row: AdjustmentRow) -> None:
    """Keep an adjustment, and put its unit into the epoch after it.

    Raise Conflict also if the unit is not in ``epoch_before``.
    """
    if same_if_kept(change.connection, row) is not None:
        return
    units = schema.bodies if row.unit_kind == "body" else schema.lenses
    raising = (
        update(units)
        .where(units.c.id == row.unit_id, units.c.epoch == row.epoch_before)
        .values(epoch=row.epoch_after)
    )
    if change.connection.execute(raising).rowcount != 1:
        raise Conflict(
            f"The {row.unit_kind} is not as it was before adjustment {row.epoch_before + 1}: it is not "
            "known, or someone adjusted it meanwhile. Look at it again, then repeat.",
            kind=row.unit_kind,
            id=row.unit_id,
        )
    if row.prep_id is not None:
        touch(change, row.prep_id)
    insert(change.connection, row)
    detail = {"adjustment_id": row.id, "action": row.action, "epoch_after": row.epoch_after}
    change.note("unit adjusted", prep_id=row.prep_id, unit_id=row.unit_id, detail=detail)


def adjustments(connection: Connection, prep_id: str) -> list[AdjustmentRow]:
    """Return a prep's adjustments as they were made."""
    return rows_where(connection, AdjustmentRow, "made_at", "id", prep_id=prep_id)


def unit_adjustments(connection: Connection, unit_id: str) -> list[AdjustmentRow]:
    """Return a unit's adjustments as they were made."""
    return rows_where(connection, AdjustmentRow, "made_at", "id", unit_id=unit_id)


def add_sign_off(change: Change, row: SignOffRow) -> SignOffRow:
    """Keep a sign-off. The state of the prep is changed by :func:`.preps.change_state`."""
    kept = same_if_kept(change.connection, row)
    if kept is not None:
        return kept
    insert(change.connection, row)
    detail = {"sign_off_id": row.id, "digest": row.digest, "revision": row.revision}
    change.note("prep signed off", prep_id=row.prep_id, detail=detail)
    return row


def sign_offs(connection: Connection, prep_id: str) -> list[SignOffRow]:
    """Return a prep's sign-offs, oldest first."""
    return rows_where(connection, SignOffRow, "signed_at", "id", prep_id=prep_id)


def all_sign_offs(connection: Connection) -> Iterator[SignOffRow]:
    """Yield the sign-offs of all preps, oldest first, without what was signed, which is large."""
    table = schema.sign_offs
    wanted = _without_document().order_by(table.c.signed_at, table.c.id)
    with connection.execute(wanted.execution_options(yield_per=1000)) as found:
        for row in found.mappings():
            yield from_mapping(SignOffRow, row)


def sealed_sign_offs(connection: Connection, *, limit: int) -> list[SignOffRow]:
    """Return the latest sign-offs with a seal, newest first, without what was signed."""
    table = schema.sign_offs
    wanted = _without_document().where(table.c.seal.is_not(None))
    wanted = wanted.order_by(table.c.signed_at.desc(), table.c.id).limit(limit)
    return [from_mapping(SignOffRow, row) for row in connection.execute(wanted).mappings()]


def _without_document() -> Select[Any]:
    """Select all of sign-offs but what was signed, which is large."""
    return select(*(column for column in schema.sign_offs.c if column.name != "signed_json"))


def latest_sign_off(connection: Connection, prep_id: str) -> SignOffRow | None:
    """Return a prep's latest sign-off, or None."""
    return next(iter(sign_offs(connection, prep_id)[-1:]), None)


def signed_times(connection: Connection, prep_ids: Iterable[str]) -> dict[str, datetime]:
    """Return when each of some preps was signed last; those that are not signed now are left out."""
    table, preps = schema.sign_offs, schema.preps
    wanted = (
        select(table.c.prep_id, func.max(table.c.signed_at).label("at"))
        .join(preps, preps.c.id == table.c.prep_id)
        .where(preps.c.state == "signed", table.c.prep_id.in_(list(prep_ids)))
        .group_by(table.c.prep_id)
    )
    return {row.prep_id: row.at for row in connection.execute(wanted)}


def keep_lines(connection: Connection, row: VerdictRow) -> None:
    """Write the lines of a verdict about each unit in place of those of the prep's verdict before it.

    A unit that was adjusted within the prep has other names in the document too; the plain name is the unit
    as it is now.
    """
    table = schema.unit_lines
    connection.execute(table.delete().where(table.c.prep_id == row.prep_id))
    lines: list[dict[str, Any]] = []
    for column, units, within in (
        ("body_id", schema.bodies, schema.prep_bodies),
        ("lens_id", schema.lenses, schema.prep_lenses),
    ):
        by_name = {line["name"]: line for line in row.document.get(units.name, ())}
        of_prep = (
            select(units.c.id, units.c.name, units.c.epoch)
            .join(within, within.c[column] == units.c.id)
            .where(within.c.prep_id == row.prep_id)
        )
        for unit in connection.execute(of_prep):
            line = by_name.get(unit.name)
            if line is not None:
                lines.append(
                    {
                        "id": uuid4().hex,
                        "prep_id": row.prep_id,
                        "body_id": None,
                        "lens_id": None,
                        column: unit.id,
                        "epoch": unit.epoch,
                        "given_at": row.given_at,
                        "verdict": line["verdict"],
                        "state": line.get("state"),
                        **{name: line.get(name) for name in _LINE_NUMBERS},
                    }
                )
    if lines:
        connection.execute(table.insert(), lines)
