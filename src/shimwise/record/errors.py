"""What can go wrong with the record, each with what to do next."""

# ruff: noqa: N818 - a sentence reads better by what happened

from shimwise.errors import RecordError


class StoreError(RecordError):
    """Anything that the record refuses or cannot do.

    Its text names no file or server, since it is shown on other people's devices too.

    Attributes
    ----------
    where : str
        The record's file, or the address of its server without a password.
    reason : str
        What is wrong and what to do next.
    """

    subject = "The record"

    def __init__(self, reason: str, *, where: str) -> None:
        self.where, self.reason = where, reason
        super().__init__(f"{self.subject} {reason}")

    @property
    def in_full(self) -> str:
        """The words with the record's file or server."""
        return f"{self.subject} {self.where} {self.reason}"


class RecordBusy(StoreError):
    """Raised when another program holds the record for longer than the record waits."""

    is_of_machine = True


class RecordUnsure(StoreError):
    """Raised when the disk or the server has not confirmed that a change is kept; it may be."""

    is_of_machine = True


class RecordFull(StoreError):
    """Raised when the disk, or the room allowed to the record, is full. Nothing of the change is kept."""

    is_of_machine = True


class RecordReadOnly(StoreError):
    """Raised when the record, or the folder it lies in, may be read but not written."""

    is_of_machine = True


class StorageError(StoreError):
    """Raised when the frames of a sweep cannot be put into their storage place, or fetched from it."""

    is_of_machine = True
    subject = "The storage of frames"


class RecordAway(StoreError):
    """Raised when the record's server or file cannot be reached."""


class RecordUnreachable(RecordAway):
    """Raised when a server or a file system does not answer, whatever name was given."""

    code = RecordAway.code
    is_of_machine = True


class RecordTooNew(StoreError):
    """Raised when a newer Shimwise wrote the record; this one leaves it untouched."""


class RecordDamaged(StoreError):
    """Raised when the file is no record, or contradicts itself."""


class RecordTooOld(RecordDamaged):
    """Raised when a record that is only to be read has the tables of an older version."""


class NotFound(RecordError):
    """Raised when something asked for is not in the record.

    Attributes
    ----------
    kind, id : str
        What was asked for, such as ``prep``, and by which id or name.
    """

    def __init__(self, kind: str, id: str) -> None:  # noqa: A002 - the word that rows use too
        self.kind, self.id = kind, id
        super().__init__(f"There is no {kind} [{id}] in the record. Check the name, or look in the list.")


class Conflict(RecordError):
    """Raised when a change contradicts what the record already holds.

    Attributes
    ----------
    kind, id : str
        What the change contradicts.
    """

    def __init__(self, reason: str, *, kind: str, id: str) -> None:  # noqa: A002 - as in rows
        self.kind, self.id = kind, id
        super().__init__(reason)
