"""What a client sent of a reading: known again when it comes twice, and set to the time it was taken at.

A device that was offline sends what it kept. Between the reading and its arrival the lens may have been named
otherwise, the set-up taped anew, and a unit adjusted.
"""

import hashlib
import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from shimwise.bench.errors import Conflict, InputError
from shimwise.record import Connection
from shimwise.record.queries import evidence, verdicts
from shimwise.record.tables.columns import json_text
from shimwise.record.tables.mapping import row_if_kept
from shimwise.record.tables.rows import BodyRow, LensRow, ReadingRow

FAST_S = 300.0
"""A client's clock may be fast by this much: a choice of ours. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingTime:
    """When a reading was taken, as the client states it: ``taken_at``, or by ``age_s`` before it was sent.

    The age needs no correct clock, so a device sends that; the time is late by what the sending took.
    Neither: taken as it arrives.
    """

    taken_at: datetime | None = None
    age_s: float | None = None

    def before(self, now: datetime, *, began_at: datetime) -> datetime | None:
        """Return the time at which it was taken, None where nothing is stated. [UTC]

        Parameters
        ----------
        now : datetime
            If it arrived; a fast client clock yields no later time than this.
        began_at : datetime
            If its prep began.

        Raises
        ------
        InputError
            If both are stated, or it would be before the prep or in the future.
        """
        if self.taken_at is None:
            return None if self.age_s is None else self._by_age(now, began_at)
        if self.age_s is not None:
            raise InputError("is said beside age_s. Send one of them.", field="taken_at", typed=self._text)
        taken_at = self.taken_at.astimezone(UTC)
        if taken_at > now + timedelta(seconds=FAST_S):
            raise InputError(
                f"lies in the future: it is {now:%Y-%m-%d %H:%M} UTC here. Set the device's clock, or send "
                "age_s.",
                field="taken_at",
                typed=self._text,
            )
        if taken_at < began_at:
            raise InputError(
                f"is before the prep began ({began_at:%Y-%m-%d %H:%M} UTC). Set the device's clock, or send "
                "age_s.",
                field="taken_at",
                typed=self._text,
            )
        return min(taken_at, now)

    def _by_age(self, now: datetime, began_at: datetime) -> datetime:
        age_s = -1.0 if self.age_s is None else self.age_s
        longest_s = (now - began_at).total_seconds()
        if not (math.isfinite(age_s) and 0 <= age_s <= longest_s):
            raise InputError(
                f"s is no age of a reading of this prep, which began {longest_s:.0f} s ago. Look at the "
                "device's clock, and enter the reading again.",
                field="age_s",
                typed=f"{self.age_s}",
            )
        return now - timedelta(seconds=age_s)

    @property
    def _text(self) -> str:
        return "" if self.taken_at is None else self.taken_at.isoformat()


def digest_of(sent: dict[str, str | float | None]) -> str:
    """Return the SHA-256 of what was sent of a reading, without spaces around texts and empty fields."""
    stated = {name: value.strip() if isinstance(value, str) else value for name, value in sent.items()}
    plain = json_text({name: value for name, value in stated.items() if value not in ("", None)})
    return hashlib.sha256(plain.encode("utf-8", "replace")).hexdigest()


def kept_as_sent(connection: Connection, reading_id: str, digest: str) -> ReadingRow | None:
    """Return the reading of an id if it is kept and the same was sent then, whatever was changed since."""
    kept = row_if_kept(connection, ReadingRow, reading_id)
    if kept is None or evidence.sent_digest(connection, kept) != digest:
        return None
    return kept


def refuse_if_adjusted_since(
    connection: Connection, taken_at: datetime, *, body: BodyRow, lens: LensRow
) -> None:
    """Refuse a reading between whose taking and arrival its body or lens was adjusted.

    Raises
    ------
    Conflict
        If it is not known which state was read.
    """
    for kind, unit in (("body", body), ("lens", lens)):
        if any(move.made_at > taken_at for move in verdicts.unit_adjustments(connection, unit.id)):
            raise Conflict(
                f"{unit.name} was adjusted after this was read and before it arrived, so it cannot be said "
                "in which state it was read. It is not kept: read it again.",
                kind=kind,
                id=unit.id,
            )
