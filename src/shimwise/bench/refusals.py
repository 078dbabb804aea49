"""What a use case refuses: the errors that every door has to tell, each with what was wrong and what to do.

Those of the record are named here too, so that a door needs nothing but the bench.
"""

from shimwise.errors import RecordError
from shimwise.records.errors import shown
from shimwise.records.store.errors import (
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

__all__ = [
    "Conflict",
    "InputError",
    "NotFound",
    "RecordAway",
    "RecordBusy",
    "RecordDamaged",
    "RecordError",
    "RecordFull",
    "RecordReadOnly",
    "RecordTooNew",
    "RecordUnsure",
    "StoreError",
]


class InputError(RecordError):
    """Raised when something typed cannot be taken: says which field, what was typed there, and why.

    Attributes
    ----------
    field : str
        Name of the argument, such as ``reading_text``.
    typed : str
        As it was typed; a page keeps it in its place.
    reason : str
        What is wrong and what to do next, without the field's name.
    """

    def __init__(self, reason: str, *, field: str, typed: str = "") -> None:
        self.field, self.typed, self.reason = field, typed, reason
        is_told = not typed.strip() or reason.startswith("[")
        super().__init__(reason if is_told else f"[{shown(typed)}] {reason}")
