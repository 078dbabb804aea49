"""What a reading depends on, kept between readings: prep, set-ups, body, lens, house, the latest verdict.

Twenty people save readings at once, so each asks the record as little as can be: one query returns marks that
change with all that a reading depends on, and what was looked up under the same marks holds.
"""

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.prep.prep_data import latest_answer
from shimwise.inference.verdict.answer import Answer
from shimwise.record.queries import evidence, lookups, preps, units
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import BodyRow, LensRow, PrepRow, SetupRow

MOST_KEPT = 2_000
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingContext:
    """What a reading of a lens on a body in a prep depends on; ``answer``: the latest verdict."""

    prep: PrepRow
    house: HouseSettings
    body: BodyRow
    lens: LensRow
    setups: Mapping[str, SetupRow]
    answer: Answer | None = None


class _Cache:
    """What was looked up in one record, each with the marks under which it holds."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, tuple[object, Any]] = OrderedDict()
        self._guard = threading.Lock()
        """Held while it is read or changed, never while the record is asked."""

    def found(self, key: str, marks: object, look_up: Callable[[], Value]) -> Value:
        """Return what is kept under an id and these marks, looked up where it is not."""
        with self._guard:
            known = self._kept.get(key)
        if known is not None and known[0] == marks:
            value: Value = known[1]
            return value
        value = look_up()
        with self._guard:
            self._kept[key] = marks, value
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return value


_CACHES: WeakKeyDictionary[Record, _Cache] = WeakKeyDictionary()
_GUARD = threading.Lock()


def reading_context(
    record: Record, connection: Connection, prep_id: str, *, body_id: str, lens_id: str
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
    prep, house, setups = cache.found(
        prep_id, (marks.house_seq, marks.state, marks.setup_count), lambda: _of_prep(connection, prep_id)
    )
    return ReadingContext(
        prep=prep,
        house=house,
        setups=setups,
        body=cache.found(
            body_id, (marks.house_seq, marks.body_epoch), lambda: units.unit(connection, BodyRow, body_id)
        ),
        lens=cache.found(
            lens_id, (marks.house_seq, marks.lens_epoch), lambda: units.unit(connection, LensRow, lens_id)
        ),
        answer=None
        if marks.verdict_id is None
        else cache.found(
            f"verdict of {prep_id}", marks.verdict_id, lambda: latest_answer(connection, prep_id)
        ),
    )


def _of_prep(connection: Connection, prep_id: str) -> tuple[PrepRow, HouseSettings, Mapping[str, SetupRow]]:
    setups = {setup.id: setup for setup in evidence.setups(connection, prep_id)}
    return preps.prep(connection, prep_id), settings_in(connection), setups
