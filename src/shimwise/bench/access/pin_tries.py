"""How often a PIN may be tried: five times, then with waits that grow, for each person on each device.

Tries are counted in the record, so that they are the same on all its servers, and after a start.
"""

import hashlib
from datetime import timedelta

from shimwise.bench.access.acting import HOUSE
from shimwise.bench.access.errors import TooManyTries
from shimwise.record.queries import short_lived
from shimwise.record.record import Record
from shimwise.record.tables.rows import ShortLivedRow

FREE = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 900.0
KEPT = timedelta(days=1)
"""Tries are forgotten so long after the last."""
MOST_KEPT = 10_000
_KIND = "pin"


def take_try(record: Record, person: str, device: str) -> None:
    """Count a try before it is looked at, so that many at once are counted too.

    Raises
    ------
    TooManyTries
        If it has to wait; then it does not count.
    """
    key = _key(person, device)
    with record.writing(who=HOUSE) as change:
        row = short_lived.kept(change.connection, key, now=change.at)
        if row is not None and row.waits_until is not None and row.waits_until > change.at:
            raise TooManyTries((row.waits_until - change.at).total_seconds())
        count = (row.count if row else 0) + 1
        wait_s = min(FIRST_WAIT_S * 2 ** (count - FREE), LONGEST_WAIT_S) if count >= FREE else 0.0
        short_lived.keep(
            change,
            ShortLivedRow(
                key=key,
                kind=_KIND,
                expires_at=change.at + KEPT,
                count=count,
                waits_until=change.at + timedelta(seconds=wait_s),
            ),
            most=MOST_KEPT,
        )


def forgive_tries(record: Record, person: str, device: str) -> None:
    """Forget the tries, after one that was right."""
    with record.writing(who=HOUSE) as change:
        short_lived.end(change, _key(person, device))


def _key(person: str, device: str) -> str:
    return hashlib.sha256(f"{_KIND}\n{person}\n{device}".encode("utf-8", "surrogatepass")).hexdigest()
