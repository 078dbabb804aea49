"""The record: what a house keeps of its units and preps, on SQLite or PostgreSQL; nothing in it is lost.

Rows are frozen values (:mod:`~shimwise.record.tables.rows`); each kind has a module of plain functions that
take a connection (to read) or a :class:`Change` (to write) first. Every change writes its own line into the
journal, except that of a setting.
"""

from sqlalchemy import Connection

from shimwise.record.errors import (
    Conflict,
    NotFound,
    RecordAway,
    RecordBusy,
    RecordDamaged,
    RecordFull,
    RecordReadOnly,
    RecordTooNew,
    RecordUnsure,
    StoreError,
)
from shimwise.record.journal import Change
from shimwise.record.record import Record, utc_now

__all__ = [
    "Change",
    "Conflict",
    "Connection",
    "NotFound",
    "Record",
    "RecordAway",
    "RecordBusy",
    "RecordDamaged",
    "RecordFull",
    "RecordReadOnly",
    "RecordTooNew",
    "RecordUnsure",
    "StoreError",
    "utc_now",
]
