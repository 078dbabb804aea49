"""The house's settings: a JSON value by key, kept without a line in the journal, as some are secret."""

# ruff: noqa: ANN401 - a value of a column, a driver or JSON is of any kind

from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from shimwise.record.tables import schema

if TYPE_CHECKING:
    from shimwise.record.record import Change

__all__ = ["all_settings", "change_setting", "setting"]

_T = schema.settings


def setting(connection: Connection, key: str) -> Any:
    """Give a setting, None when it was never set."""
    return connection.execute(select(_T.c.value).where(_T.c.key == key)).scalar_one_or_none()


def all_settings(connection: Connection) -> dict[str, Any]:
    """Give all settings by key."""
    return {found.key: found.value for found in connection.execute(select(_T).order_by(_T.c.key))}


def change_setting(change: "Change", key: str, value: Any) -> None:
    """Put another value in force; None takes the setting away. Whoever calls notes it in the journal."""
    change.connection.execute(_T.delete().where(_T.c.key == key))
    if value is not None:
        change.connection.execute(_T.insert(), {"key": key, "value": value})
