"""One side of a sync: a record that is open here, or a house that answers elsewhere; both do the same.

A prep that comes by sync is checked as one that is imported: its seals, its digest, its rows, and whether it
can be shown.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Protocol
from uuid import uuid4

from shimwise import __version__
from shimwise.bench.access.acting import Who, allowed, changing
from shimwise.bench.access.roles import Act
from shimwise.bench.exchange.record_admin import prep_document, refuse_unless_shown
from shimwise.bench.house.drift_rate import WEAR_KEY
from shimwise.bench.house.settings import KEY as HOUSE_KEY
from shimwise.bench.house.taught import TAUGHT_KEY
from shimwise.bench.house.unit_checks import checked_unit
from shimwise.bench.house.unit_rows import facts_of
from shimwise.bench.prep.states import SIGNED
from shimwise.bench.sign.sealing import refuse_unproven
from shimwise.bench.verdict.histories import forget_prep, remember_imported
from shimwise.record import journal
from shimwise.record.errors import NotFound
from shimwise.record.exchange import sync_rows
from shimwise.record.exchange.prep_put import BROUGHT_HOME, TAKEN_ALONG, put_prep
from shimwise.record.exchange.row_json import ExchangeError
from shimwise.record.exchange.sync_rows import Entry
from shimwise.record.migrations import HEAD
from shimwise.record.queries import people, units
from shimwise.record.queries import settings as kept_settings
from shimwise.record.queries.epochs import order_epochs
from shimwise.record.queries.lookups import prep_state
from shimwise.record.record import Change, Record
from shimwise.record.tables.mapping import UNIT_ROWS

ID_KEY = "record_id"
"""Setting by which a home is known again."""
GIVEN_KEYS = (HOUSE_KEY, WEAR_KEY, TAUGHT_KEY)
"""Settings that a machine takes along."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncHead:
    """Identity and version of a side; ``now``: its clock. ``house`` is empty before its first sync."""

    house: str
    now: datetime
    version: str
    tables: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What a side has: entries, the settings it gives along, and its people with their roles."""

    entries: tuple[Entry, ...]
    settings: Mapping[str, Any]
    people: Mapping[str, str]


Order = Sequence[tuple[str, datetime]]
"""Ids of adjustments with their times, in their order."""


class Side(Protocol):
    """A side of a sync."""

    name: str

    def head(self, *, is_dry_run: bool) -> SyncHead:
        """Return its identity; it takes an id unless this is a dry run."""

    def compared(self, known: Mapping[str, int] | None, *, has_all: bool = False) -> Compared:
        """Return all its units, and of preps those in ``known`` and its open ones; None: no preps."""

    def prep(self, prep_id: str) -> dict[str, Any]:
        """Return the document of a prep."""

    def put_unit(self, entry: Entry, *, expected: str) -> None:
        """Put a body, a lens or a set in the place of the one with the digest ``expected``."""

    def put_prep(self, document: Any, *, expected: int, beside: Any = None) -> int:
        """Put a prep; return the number of its last line in the journal there."""

    def check_prep(self, document: Any) -> None:
        """Refuse a prep whose signatures nobody known there vouches for; nothing is written."""

    def order_epochs(self, kind: str, unit_id: str, *, base: int, order: Order) -> None:
        """Assign each adjustment of a unit its own epoch, in an order of time by the clock there."""


class RecordSide:
    """A record that is open here. ``is_home``: whether a machine comes home to it, which is named."""

    def __init__(self, record: Record, *, who: Who, is_home: bool, machine: str = "") -> None:
        self.record, self.who, self.machine = record, who, machine
        self.name, self.what = record.name, BROUGHT_HOME if is_home else TAKEN_ALONG

    def head(self, *, is_dry_run: bool) -> SyncHead:
        """Return the identity of the record."""
        allowed(self.record, self.who, Act.SYNC)
        with self.record.reading() as connection:
            own_id = kept_settings.setting(connection, ID_KEY)
            server = sync_rows.server_time(connection)
        if own_id is None and not is_dry_run:
            with changing(self.record, self.who, Act.SYNC) as change:
                own_id = kept_settings.setting(change.connection, ID_KEY) or uuid4().hex
                kept_settings.change_setting(change, ID_KEY, own_id)
        now = self.record.clock() if server is None else datetime.fromisoformat(server)
        return SyncHead(house=own_id or "", now=now, version=__version__, tables=HEAD)

    def compared(self, known: Mapping[str, int] | None, *, has_all: bool = False) -> Compared:
        """Return what the record has."""
        allowed(self.record, self.who, Act.SYNC)
        with self.record.reading() as connection:
            entries = (
                *sync_rows.unit_entries(connection),
                *sync_rows.set_entries(connection),
                *(() if known is None else sync_rows.prep_entries(connection, known, has_all=has_all)),
            )
            given = {key: kept_settings.setting(connection, key) for key in GIVEN_KEYS}
            named = {row.name: row.role or "" for row in people.with_role(connection)}
        settings = {key: value for key, value in given.items() if value is not None}
        return Compared(entries=entries, settings=settings, people=named)

    def prep(self, prep_id: str) -> dict[str, Any]:
        """Return the document of a prep, a signed one as it was signed."""
        return prep_document(self.record, prep_id)

    def put_unit(self, entry: Entry, *, expected: str) -> None:
        """Put a unit or a set."""
        with changing(self.record, self.who, Act.SYNC) as change:
            put_unit_in(change, entry, expected=expected)

    def put_sent_unit(self, sent: Mapping[str, Any], *, expected: str) -> None:
        """Put a unit or a set that another machine sent, as JSON."""
        allowed(self.record, self.who, Act.SYNC)
        self.put_unit(entry_of(sent), expected=expected)

    def put_prep(self, document: Any, *, expected: int, beside: Any = None) -> int:
        """Put a prep."""
        self.check_prep(document)
        with changing(self.record, self.who, Act.SYNC) as change:
            return self.put_prep_in(change, document, expected=expected, beside=beside)

    def check_prep(self, document: Any) -> None:
        """Refuse a prep whose signatures nobody known here vouches for."""
        allowed(self.record, self.who, Act.SYNC)
        refuse_unproven(document, is_unproven=False)

    def order_epochs(self, kind: str, unit_id: str, *, base: int, order: Order) -> None:
        """Assign each adjustment of a unit its own epoch."""
        with changing(self.record, self.who, Act.SYNC) as change:
            order_epochs(change, kind, unit_id, base=base, order=order)

    def put_prep_in(self, change: Change, document: Any, *, expected: int, beside: Any = None) -> int:
        """Put a prep within a change; its seals were looked at before."""
        prep_id = sync_rows.prep_id_of(document)
        was_signed = False
        with suppress(NotFound):
            was_signed = prep_state(change.connection, prep_id).state == SIGNED
        before = journal.last_seq(change.connection, prep_id=prep_id)
        if was_signed and before == expected:
            forget_prep(change, prep_id)
            expected = journal.last_seq(change.connection, prep_id=prep_id)
        seq = put_prep(
            change, document, expected=expected, beside=beside, what=self.what, machine=self.machine
        )
        if seq != before:
            refuse_unless_shown(change.connection, prep_id)
            if beside is not None:
                refuse_unless_shown(change.connection, sync_rows.prep_id_of(beside))
            remember_imported(change, prep_id)
        return seq


def put_unit_in(change: Change, entry: Entry, *, expected: str) -> None:
    """Put a unit or a set within a change, refused where no page could show it."""
    if entry.kind == "set":
        sync_rows.put_set(change, entry, expected=expected)
        return
    if entry.kind not in UNIT_ROWS:
        raise ExchangeError(f"[{entry.kind}] is an unknown kind of unit. Bring both programs up to date.")
    sync_rows.put_unit(change, entry, expected=expected)
    row = units.unit(change.connection, UNIT_ROWS[entry.kind], entry.id)
    checked_unit(facts_of(replace(row, history_mean_um=None, history_sd_um=None)))


def entry_of(found: Mapping[str, Any]) -> Entry:
    """Return an entry of what another machine sent.

    Raises
    ------
    ExchangeError
        If it is none.
    """
    kinds = {"kind": str, "id": str, "name": str, "digest": str, "content": Mapping, "beside": Mapping}
    for name, kind in kinds.items():
        if not isinstance(found.get(name), kind):
            raise ExchangeError(f"entry.{name} is missing, or of another kind. Sync with the same version.")
    try:
        entry = Entry(**{name: found[name] for name in kinds})
        epoch, learned = entry.beside.get("epoch", 0), entry.beside.get("learned")
        is_pair = learned is None or (isinstance(learned, list) and len(learned) == 2)
        for typed in (entry.content.get("history"), learned):
            is_pair &= typed is None or (isinstance(typed, list) and len(typed) == 2)
        if type(epoch) is not int or not is_pair or not entry.id.isalnum():
            raise ExchangeError(
                "The entry has no epoch or history that a unit has. Sync with the same version."
            )
        is_same = sync_rows.digest_of_content(entry.content) == entry.digest
    except (ValueError, RecursionError) as error:
        raise ExchangeError(f"The entry cannot be read ({error}). Sync again.") from error
    if not is_same:
        raise ExchangeError(
            "The entry is not what its digest is over: it was changed on the way. Sync again."
        )
    return entry
