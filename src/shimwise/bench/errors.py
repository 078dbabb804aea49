"""What a use case refuses: the errors that every door shows, each with what was wrong and what to do.

Those of the record are named here too, so that a door needs nothing but the bench.
"""

import re
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from shimwise.errors import RecordError as RecordError
from shimwise.files.errors import shown
from shimwise.record.errors import Conflict as Conflict
from shimwise.record.errors import NotFound as NotFound
from shimwise.record.errors import RecordAway as RecordAway
from shimwise.record.errors import RecordBusy as RecordBusy
from shimwise.record.errors import RecordDamaged as RecordDamaged
from shimwise.record.errors import RecordFull as RecordFull
from shimwise.record.errors import RecordReadOnly as RecordReadOnly
from shimwise.record.errors import RecordTooNew as RecordTooNew
from shimwise.record.errors import RecordUnsure as RecordUnsure
from shimwise.record.errors import StoreError as StoreError

Checked = ParamSpec("Checked")
Given = TypeVar("Given")


class InputError(RecordError):
    """Raised when something typed cannot be taken: contains the field, what was typed there, and why.

    Attributes
    ----------
    field : str
        Name of the argument, such as ``reading_text``.
    typed : str
        As it was typed; a page keeps it in its place.
    reason : str
        What is wrong and what to do next, without the field's name.
    others : tuple of InputError
        What else of the same request cannot be taken.
    """

    def __init__(self, reason: str, *, field: str, typed: str = "") -> None:
        self.field, self.typed, self.reason = field, typed, reason
        self.others: tuple[InputError, ...] = ()
        super().__init__(self.sentence if _is_named(typed, reason) else f"[{shown(typed)}] {reason}")

    @property
    def sentence(self) -> str:
        """The reason, beginning with what it is about."""
        if _VERB.match(self.reason) is None:
            return self.reason
        return f"The {_WORDS.get(self.field, _UNIT.sub('', self.field).replace('_', ' '))} {self.reason}"


_VERB = re.compile(r"(?:is|are|has|have|stands?|names?|would|do|does|gives?) ")
_UNIT = re.compile(r"_(?:um|mm|m|c|s|id|ids|text)$")
_WORDS = {
    "who": "name of who does it",
    "operator": "name of the reader",
    "fnumber": "f-number",
    "pin": "PIN",
    "new": "new PIN",
    "lens_ids": "lenses",
    "body_ids": "bodies",
    "data": "file",
}
"""What a field is called where its own name is none for people."""


def _is_named(typed: str, reason: str) -> bool:
    return not typed.strip() or reason.startswith("[")


class AllRefusals:
    """Gathers what several checks refuse, so that all of it is shown at once.

    Used as a context; at its end the first refusal is raised, with the others in its ``others``.
    """

    def __init__(self) -> None:
        self.found: list[InputError] = []

    def __enter__(self) -> "AllRefusals":
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is None and self.found:
            first, *others = self.found
            first.others = tuple(others)
            raise first

    def of(
        self, check: Callable[Checked, Given], *args: Checked.args, **options: Checked.kwargs
    ) -> Given | None:
        """Return what a check gives; None, and its refusal noted, where it refuses."""
        try:
            return check(*args, **options)
        except InputError as error:
            self.found += [error, *error.others]
            return None
