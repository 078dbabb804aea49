"""The record: what a house keeps of its units and preps, on SQLite or PostgreSQL; nothing in it is lost.

Rows are frozen values (:mod:`~shimwise.record.tables.rows`); each kind has a module of plain functions that
take a connection (to read) or a :class:`Change` (to write) first. Every change writes its own line into the
journal, except that of a setting.
"""

from sqlalchemy import (
    Connection as Connection,
)  # the type of a connection, for the rooms above, which know no SQL
