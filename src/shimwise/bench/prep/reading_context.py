"""What a reading depends on, kept between readings: prep, set-ups, body, lens, house, the latest verdict.

Twenty people save readings at once, so each asks the record as little as can be: one query returns marks that
change with all that a reading depends on, and what was looked up under the same marks holds.
"""

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar
from weakref import WeakKeyDictionary

from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.inference.verdict.answer import Answer
from shimwise.record.queries import evidence, lookups, preps, units, verdicts
from shimwise.sheets.json.verdict_json import answer_from_json

if TYPE_CHECKING:
    from shimwise.record import Connection
    from shimwise.record.record import Record
    from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, SetupRow

MOST_KEPT = 500
Key = TypeVar("Key")
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingContext:
    """What a reading of a lens on a body in a prep depends on; ``answer``: the latest verdict."""

    prep: "PrepRow"
    house: HouseSettings
    body: "BodyRow"
    lens: "LensRow"
    setups: Mapping[str, "SetupRow"]
    answer: Answer | None = None


@dataclass(slots=True)
class _Cache:
    """What was looked up in one record: contexts by prep, body and lens, each with its marks; verdicts."""

    contexts: OrderedDict[tuple[str, str, str], tuple[object, ReadingContext]] = field(
        default_factory=OrderedDict
    )
    answers: OrderedDict[str, Answer] = field(default_factory=OrderedDict)


_CACHES: WeakKeyDictionary["Record", _Cache] = WeakKeyDictionary()
_GUARD = threading.Lock()
"""Held while a cache is read or changed, never while the record is asked."""


def reading_context(
    record: "Record", connection: "Connection", prep_id: str, *, body_id: str, lens_id: str
) -> ReadingContext | None:
    """Return what a reading depends on; None if the prep, or the unit in it, is unknown.

    Parameters
    ----------
    record : Record
        Whose cache is used.
    connection : Connection
        The transaction in which the context has to hold.
    """
    marks = lookups.reading_marks(connection, prep_id=prep_id, body_id=body_id, lens_id=lens_id)
    if marks is None:
        return None
    with _GUARD:
        cache = _CACHES.setdefault(record, _Cache())
    context = _context(cache, connection, (prep_id, body_id, lens_id), marks[:-1])
    return replace(context, answer=_answer(cache, connection, prep_id, marks.verdict_id))


def _context(
    cache: _Cache, connection: "Connection", key: tuple[str, str, str], marks: object
) -> ReadingContext:
    with _GUARD:
        known = cache.contexts.get(key)
    if known is not None and known[0] == marks:
        return known[1]
    prep_id, body_id, lens_id = key
    context = ReadingContext(
        prep=preps.prep(connection, prep_id),
        house=settings_in(connection),
        body=units.body(connection, body_id),
        lens=units.lens(connection, lens_id),
        setups={setup.id: setup for setup in evidence.setups(connection, prep_id)},
    )
    _put(cache.contexts, key, (marks, context))
    return context


def _answer(cache: _Cache, connection: "Connection", prep_id: str, verdict_id: str | None) -> Answer | None:
    if verdict_id is None:
        return None
    with _GUARD:
        known = cache.answers.get(verdict_id)
    if known is not None:
        return known
    verdict = verdicts.latest_verdict(connection, prep_id)
    if verdict is None:
        return None
    answer = answer_from_json(verdict.document)
    _put(cache.answers, verdict.id, answer)
    return answer


def _put(kept: OrderedDict[Key, Value], key: Key, value: Value) -> None:
    with _GUARD:
        kept[key] = value
        kept.move_to_end(key)
        while len(kept) > MOST_KEPT:
            kept.popitem(last=False)
