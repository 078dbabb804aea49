"""What a use case refuses: the errors that every door has to tell, each with what was wrong and what to do.

Those of the record are named here too, so that a door needs nothing but the bench.
"""

from shimwise.errors import RecordError
from shimwise.records.errors import shown

__all__ = ["InputError"]


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
        super().__init__(f"[{shown(typed)}] {reason}" if typed.strip() else reason)
