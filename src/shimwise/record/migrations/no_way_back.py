"""Versions of the tables have no way back: it would lose what only the newer ones hold."""

from typing import NoReturn

from shimwise.errors import RecordError

NO_WAY_BACK = (
    "The record's tables have no way back to an older version: it would lose what only the newer ones hold. "
    "Take the copy that was made beside the record before it was renewed; its name ends in .before- and the "
    "older version."
)


def downgrade() -> NoReturn:
    """Refuse to go back.

    Raises
    ------
    RecordError
        With the copy to take instead.
    """
    raise RecordError(NO_WAY_BACK)
