"""What a guided adjustment refuses, where a door reacts to more than the words."""

from shimwise.bench.errors import Conflict


class ConsentNeeded(Conflict):
    """Raised when a lock is to be released before the owner's consent was confirmed.

    Attributes
    ----------
    unit : str
        Name of the body.
    """

    def __init__(self, reason: str, *, unit: str, step: str) -> None:
        self.unit = unit
        super().__init__(reason, kind="step", id=step)


class LockDoubted(Conflict):
    """Raised when no lock was found on a body that has one by the record, and what was found is not noted.

    Attributes
    ----------
    unit : str
        Name of the body.
    """

    def __init__(self, *, unit: str, step: str) -> None:
        self.unit = unit
        super().__init__(
            f"The record says that {unit} has a lock. Look again before anything is turned; if there is "
            "none, write what you found in its place.",
            kind="step",
            id=step,
        )


class MechanismUnknown(Conflict):
    """Raised when nobody has written down yet how a body is adjusted.

    Attributes
    ----------
    unit : str
        Name of the body.
    """

    def __init__(self, reason: str, *, unit: str, unit_id: str) -> None:
        self.unit = unit
        super().__init__(reason, kind="body", id=unit_id)
