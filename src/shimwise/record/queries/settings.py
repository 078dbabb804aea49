"""The house's settings: a JSON value by key, kept without a line in the journal, as some are secret."""

# ruff: noqa: ANN401 - a setting is JSON of any kind

from typing import Any

from sqlalchemy import Connection, select

from shimwise.record.journal import Change
from shimwise.record.tables import schema

_T = schema.settings


def setting(connection: Connection, key: str) -> Any:
    """Return a setting, or None if it was never set."""
    return connection.execute(select(_T.c.value).where(_T.c.key == key)).scalar_one_or_none()


def change_setting(change: Change, key: str, value: Any) -> None:
    """Put another value in force; None removes the setting. The caller notes it in the journal."""
    change.connection.execute(_T.delete().where(_T.c.key == key))
    if value is not None:
        change.connection.execute(_T.insert(), {"key": key, "value": value})
