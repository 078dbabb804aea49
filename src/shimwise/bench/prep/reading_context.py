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

from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.record.queries import lookups, preps, units, verdicts

if TYPE_CHECKING:
    from shimwise.record import Connection, Record
    from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow

__all__ = ["SightBase", "base_of"]

MOST_KEPT = 500


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
    marks = lookups.reading_marks(connection, prep_id=prep_id, body_id=body_id, lens_id=lens_id)
    if marks is None:
        return None
    with _GUARD:
        kept = _KEPT.setdefault(record, _Kept(bases=OrderedDict(), documents=OrderedDict()))
    base = _base(kept, connection, (prep_id, body_id, lens_id), marks[:-1])
    return SightBase(
        prep=base.prep,
        house=base.house,
        body=base.body,
        lens=base.lens,
        document=_document(kept, connection, prep_id, marks.verdict_id),
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
