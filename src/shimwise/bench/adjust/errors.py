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
