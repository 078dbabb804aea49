"""Queries that answer one question of a use case, as small as it can be put."""

from typing import NamedTuple

from sqlalchemy import Connection, Text, bindparam, func, select

from shimwise.record.errors import NotFound
from shimwise.record.names import name_key
from shimwise.record.queries.preps import latest_verdict
from shimwise.record.tables import schema

_PREPS, _BODIES, _LENSES, _READINGS = schema.preps, schema.bodies, schema.lenses, schema.readings
_IN_BODIES, _IN_LENSES = schema.prep_bodies, schema.prep_lenses
_JOURNAL, _VERDICTS, _SETUPS = schema.journal, schema.verdicts, schema.setups
_STATE = select(_PREPS.c.state, _PREPS.c.revision).where(  # built once: every reading runs it
    _PREPS.c.id == bindparam("of_prep", type_=Text)
)
_MARKS = (  # built once
    select(
        select(func.max(_JOURNAL.c.seq)).where(_JOURNAL.c.prep_id.is_(None)).scalar_subquery(),
        _BODIES.c.epoch,
        _LENSES.c.epoch,
        _PREPS.c.state,
        select(func.count()).where(_SETUPS.c.prep_id == _PREPS.c.id).correlate(_PREPS).scalar_subquery(),
        latest_verdict(_VERDICTS.c.id),
    )
    .select_from(_PREPS)
    .join(_IN_BODIES, _IN_BODIES.c.prep_id == _PREPS.c.id)
    .join(_BODIES, _BODIES.c.id == _IN_BODIES.c.body_id)
    .join(_IN_LENSES, _IN_LENSES.c.prep_id == _PREPS.c.id)
    .join(_LENSES, _LENSES.c.id == _IN_LENSES.c.lens_id)
    .where(
        _PREPS.c.id == bindparam("of_prep", type_=Text),
        _BODIES.c.id == bindparam("of_body", type_=Text),
        _LENSES.c.id == bindparam("of_lens", type_=Text),
    )
)


class PrepState(NamedTuple):
    """A prep's state (``open``, ``done`` or ``signed``) and its revision."""

    state: str
    revision: int


class ReadingMarks(NamedTuple):
    """What changes whenever something changes on which the readings of a pair in a prep depend.

    ``house_seq``: number of the newest line of the journal that belongs to no prep. ``verdict_id``: the
    latest verdict; None before the first.
    """

    house_seq: int | None
    body_epoch: int
    lens_epoch: int
    state: str
    setup_count: int
    verdict_id: str | None


def prep_state(connection: Connection, prep_id: str) -> PrepState:
    """Return the state of a prep.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    found = connection.execute(_STATE, {"of_prep": prep_id}).one_or_none()
    if found is None:
        raise NotFound("prep", prep_id)
    return PrepState(*found)


def reading_marks(connection: Connection, *, prep_id: str, body_id: str, lens_id: str) -> ReadingMarks | None:
    """Return the marks of a body and a lens in a prep; None if the prep, or the unit in it, is unknown."""
    wanted = {"of_prep": prep_id, "of_body": body_id, "of_lens": lens_id}
    found = connection.execute(_MARKS, wanted).one_or_none()
    return None if found is None else ReadingMarks(*found)


def preps_with_readings(connection: Connection, *, operator: str | None = None, limit: int) -> list[str]:
    """Return the ids of the newest preps that hold readings, or readings of one operator; newest first."""
    of_prep = _READINGS.c.prep_id == _PREPS.c.id
    if operator is not None:
        of_prep &= _READINGS.c.operator.in_(names_of_operator(connection, operator))
    wanted = (
        select(_PREPS.c.id)
        .where(select(_READINGS.c.id).where(of_prep).exists())
        .order_by(_PREPS.c.started_at.desc(), _PREPS.c.id)
        .limit(limit)
    )
    return list(connection.execute(wanted).scalars())


def signed_count(connection: Connection) -> int:
    """Return how many preps are signed."""
    wanted = select(func.count()).select_from(_PREPS).where(_PREPS.c.state == "signed")
    return int(connection.execute(wanted).scalar_one())


def signed_prep_ids(connection: Connection) -> list[str]:
    """Return the ids of all signed preps, newest first."""
    wanted = select(_PREPS.c.id).where(_PREPS.c.state == "signed")
    return list(connection.execute(wanted.order_by(_PREPS.c.started_at.desc(), _PREPS.c.id)).scalars())


def names_of_operator(connection: Connection, name: str) -> list[str]:
    """Return the spellings of an operator's name that differ in capitals alone."""
    found = connection.execute(select(_READINGS.c.operator).distinct()).scalars()
    return [written for written in found if name_key(written) == name_key(name)]


def frames_of_sweeps(connection: Connection) -> dict[str, str]:
    """Return the place of the frames of each sweep, by its id; empty where none are kept."""
    sweeps = schema.sweeps.c
    return {row.id: row.frames_place for row in connection.execute(select(sweeps.id, sweeps.frames_place))}
