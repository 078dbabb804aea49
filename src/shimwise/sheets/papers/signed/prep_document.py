"""A prep document, ``shimwise.prep/1``, as the papers read it: checked, with ids resolved to units.

The document is an exported prep: its own row under ``prep`` and lists of rows, each an object of plain JSON.
What a paper does not need of a row is left as it is; if something that it needs is missing, it is refused.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.papers.signed.canonical_json import digest_of, in_prep, newest, without

SCHEMA_ID = "shimwise.prep/1"
NEEDED = {
    "bodies": ("id", "name"),
    "lenses": ("id", "name"),
    "setups": ("id",),
    "readings": ("id", "body_id", "lens_id"),
    "gauges": ("id",),
    "sweeps": ("id", "body_id", "lens_id", "result"),
    "verdicts": ("document",),
    "adjustments": ("unit_id",),
    "sign_offs": ("digest",),
}
"""The lists of a prep, and the fields that papers need of each row."""
Row = Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class PrepDocument:
    """A prep document that has been checked, and its rows by name.

    Attributes
    ----------
    content : mapping
        The document as it was exported.
    """

    content: Mapping[str, Any]

    @property
    def prep(self) -> Row:
        """The prep's own row."""
        row: Row = self.content["prep"]
        return row

    def rows(self, name: str) -> Sequence[Row]:
        """Return the rows of a list, such as ``readings``; of units those of the prep."""
        rows: Sequence[Row] = in_prep(self.content, name, self.content.get(name) or ())
        return rows

    def not_withdrawn(self, name: str) -> list[Row]:
        """Return the rows of a list that have not been withdrawn."""
        return [row for row in self.rows(name) if not row.get("withdrawn_at")]

    @cached_property
    def digest(self) -> str:
        """Digest of what is signed [64 hexadecimal digits]."""
        return digest_of(self.content)

    @cached_property
    def names(self) -> dict[str, str]:
        """Name of every body, lens and set-up by its id."""
        units = (*self.rows("bodies"), *self.rows("lenses"), *self.rows("setups"))
        return {row["id"]: str(row.get("name") or "") for row in units}

    def name(self, row_id: object) -> str:
        """Return a unit's name; of one that is not in the document its id."""
        return self.names.get(str(row_id), str(row_id or ""))

    def row(self, name: str, row_id: object) -> Row | None:
        """Return the row of a list with this id, or None."""
        return next((row for row in self.rows(name) if row.get("id") == row_id), None)

    def named(self, name: str, unit: str) -> Row:
        """Return the row of a list with this name; empty if there is none."""
        return next((row for row in self.rows(name) if str(row["name"]) == unit), {})

    @property
    def title(self) -> str:
        """The prep's title; without one, the day it began."""
        title = str(self.prep.get("title") or "").strip()
        began = time_of(self.prep["started_at"])
        return title or f"Prep of {began.day} {began:%B %Y}"  # no system but POSIX has a %-d

    @property
    def verdict_row(self) -> Row | None:
        """The newest verdict that was kept."""
        return newest(self.rows("verdicts"))

    @property
    def verdict(self) -> Mapping[str, Any] | None:
        """Document of the newest verdict, ``shimwise.verdict/2``."""
        row = self.verdict_row
        return None if row is None else row["document"]

    @property
    def remedies(self) -> Sequence[Row]:
        """What the newest verdict suggests."""
        return () if self.verdict is None else self.verdict["remedies"]

    @property
    def is_verdict_current(self) -> bool:
        """Whether the newest verdict holds all evidence that is not withdrawn, and nothing came after it."""
        row = self.verdict_row
        if row is None:
            return False
        judged = {reading["row"] for reading in row["document"]["readings"] if not reading.get("source")}
        if judged != {reading.get("seq") for reading in self.not_withdrawn("readings")}:
            return False
        later = ("sweeps", "gauges", "adjustments")
        keys = ("taken_at", "withdrawn_at", "made_at")
        times = [one.get(key) for name in later for one in self.rows(name) for key in keys]
        given_at = row.get("given_at")
        return not given_at or all(time_of(time) <= time_of(given_at) for time in times if time)

    @property
    def sign_off(self) -> Row | None:
        """The newest sign-off."""
        return newest(self.rows("sign_offs"))

    @property
    def travelling(self) -> dict[str, Any]:
        """The document as it travels in a paper: all that is signed; without journal and older verdicts."""
        row = self.verdict_row
        return {
            **self.content,
            "verdicts": [] if row is None else [row],
            "sign_offs": without(self.rows("sign_offs"), ("signed_json",)),
            "journal": [],
        }

    @property
    def is_reopened(self) -> bool:
        """Whether it was signed and is open again."""
        return self.sign_off is not None and self.prep.get("state") == "open"

    @property
    def is_signed(self) -> bool:
        """Whether a sign-off is of the prep as it is; one that was reopened is not signed."""
        row = self.sign_off
        return row is not None and row.get("digest") == self.digest and not self.is_reopened

    @property
    def dated(self) -> datetime:
        """The time that a paper carries: when it was signed, judged, closed or begun."""
        rows = (self.sign_off, self.verdict_row)
        times = [self.prep["started_at"], self.prep.get("closed_at")]
        times += [row.get("signed_at") or row.get("given_at") for row in rows if row is not None]
        return max(time_of(time) for time in times if time)


def read_prep(document: object) -> PrepDocument:
    """Check that a document is a prep, as far as papers need it.

    Parameters
    ----------
    document : object
        As ``json.loads`` returns it.

    Raises
    ------
    SheetError
        If it is no prep, with what is missing or wrong.
    """
    if not isinstance(document, Mapping) or document.get("schema") != SCHEMA_ID:
        found = document.get("schema") if isinstance(document, Mapping) else type(document).__name__
        raise _refusal(f"its schema is {str(found)[:60]!r}")
    prep = document.get("prep")
    if not isinstance(prep, Mapping) or not prep.get("started_at"):
        raise _refusal("it has no prep with the time it began")
    for name, needed in NEEDED.items():
        _check_list(document, name, needed)
    found_prep = PrepDocument(document)
    time_of(prep["started_at"])
    verdict = found_prep.verdict
    if verdict is not None:
        from shimwise.sheets.json.verdict_json import validate

        validate(verdict)
    return found_prep


def _check_list(document: Mapping[str, Any], name: str, needed: Sequence[str]) -> None:
    rows = document.get(name)
    if rows is None:
        return
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise _refusal(f"{name} is no list of objects")
    for number, row in enumerate(rows):
        missing = [key for key in needed if row.get(key) is None]
        if missing:
            raise _refusal(f"{name}[{number}] lacks {', '.join(missing)}")


def time_of(text: object) -> datetime:
    """Read a time as a document writes it (ISO 8601); without an offset it is UTC.

    Raises
    ------
    SheetError
        If it is none.
    """
    try:
        time = datetime.fromisoformat(str(text))
    except ValueError as error:
        raise _refusal(f"{str(text)[:40]!r} is no time") from error
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def number_of(value: object, default: float = math.nan) -> float:
    """Return a number of a row, the default if there is none; ``INF`` is infinite."""
    if isinstance(value, str) and value.strip().upper() == "INF":
        return math.inf
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else default


def _refusal(what: str) -> SheetError:
    return SheetError(f"This is no prep of the form {SCHEMA_ID}: {what}. Export the prep anew.")
