"""What a reading rests on, looked up once: prep, body, lens, house and the latest verdict.

Twenty people save readings at once, so each asks the record as little as can be: one question tells whether
what was looked up before still stands. It stands as long as no line about the house (one of no prep) has been
added to the journal, both units are in the same epoch and the prep in the same state.
"""

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from sqlalchemy import Text, bindparam, func, select

from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.record.queries import preps, units, verdicts
from shimwise.record.tables import schema

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from shimwise.record import Record
    from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow

__all__ = ["SightBase", "base_of"]

MOST_KEPT = 500
_PREPS, _BODIES, _LENSES = schema.preps, schema.bodies, schema.lenses
_IN_BODIES, _IN_LENSES = schema.prep_bodies, schema.prep_lenses
_JOURNAL, _VERDICTS = schema.journal, schema.verdicts
_LATEST = (
    select(_VERDICTS.c.id)
    .where(_VERDICTS.c.prep_id == _PREPS.c.id)
    .order_by(_VERDICTS.c.revision.desc(), _VERDICTS.c.given_at.desc())
    .limit(1)
    .correlate(_PREPS)
    .scalar_subquery()
)
_ABOUT_HOUSE = select(func.max(_JOURNAL.c.seq)).where(_JOURNAL.c.prep_id.is_(None)).scalar_subquery()
_STANDS = (  # made once
    select(
        _ABOUT_HOUSE.label("house_seq"),
        _BODIES.c.epoch.label("body_epoch"),
        _LENSES.c.epoch.label("lens_epoch"),
        _PREPS.c.state,
        _LATEST.label("verdict_id"),
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SightBase:
    """What a reading of this lens on this body in this prep rests on; ``document``: the latest verdict's."""

    prep: "PrepRow"
    house: HouseSettings
    body: "BodyRow"
    lens: "LensRow"
    document: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class _Base:
    """The part that no verdict changes."""

    prep: "PrepRow"
    house: HouseSettings
    body: "BodyRow"
    lens: "LensRow"


@dataclass(slots=True)
class _Kept:
    """What was looked up in one record: bases by prep, body and lens, with a mark; documents by verdict."""

    bases: OrderedDict[tuple[str, str, str], tuple[tuple[Any, ...], "_Base"]]
    documents: OrderedDict[str, Mapping[str, Any]]


_KEPT: WeakKeyDictionary["Record", _Kept] = WeakKeyDictionary()
_GUARD = threading.Lock()


def base_of(
    record: "Record", connection: "Connection", prep_id: str, *, body_id: str, lens_id: str
) -> SightBase | None:
    """Give what a reading rests on; None where the prep, or the unit in it, is not known.

    Parameters
    ----------
    record : Record
        Under which it is remembered.
    connection : Connection
        The look in which it has to stand.
    """
    wanted = {"of_prep": prep_id, "of_body": body_id, "of_lens": lens_id}
    stands = connection.execute(_STANDS, wanted).one_or_none()
    if stands is None:
        return None
    with _GUARD:
        kept = _KEPT.setdefault(record, _Kept(bases=OrderedDict(), documents=OrderedDict()))
    mark = (stands.house_seq, stands.body_epoch, stands.lens_epoch, stands.state)
    base = _base(kept, connection, (prep_id, body_id, lens_id), mark)
    return SightBase(
        prep=base.prep,
        house=base.house,
        body=base.body,
        lens=base.lens,
        document=_document(kept, connection, prep_id, stands.verdict_id),
    )


def _base(kept: _Kept, connection: "Connection", key: tuple[str, str, str], mark: tuple[Any, ...]) -> _Base:
    with _GUARD:
        known = kept.bases.get(key)
    if known is not None and known[0] == mark:
        return known[1]
    prep_id, body_id, lens_id = key
    base = _Base(
        preps.prep(connection, prep_id),
        settings_in(connection),
        units.body(connection, body_id),
        units.lens(connection, lens_id),
    )
    with _GUARD:
        _put(kept.bases, key, (mark, base))
    return base


def _document(
    kept: _Kept, connection: "Connection", prep_id: str, verdict_id: str | None
) -> Mapping[str, Any] | None:
    if verdict_id is None:
        return None
    with _GUARD:
        known = kept.documents.get(verdict_id)
    if known is not None:
        return known
    verdict = verdicts.latest_verdict(connection, prep_id)
    if verdict is None:
        return None
    with _GUARD:
        _put(kept.documents, verdict.id, verdict.document)
    return verdict.document


def _put(kept: OrderedDict[Any, Any], key: object, value: object) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > MOST_KEPT:
        kept.popitem(last=False)
