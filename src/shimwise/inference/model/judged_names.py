"""Names for the judge: a unit as it was before an adjustment is another one than after it."""

import re

_BEFORE = re.compile(r"(?P<name>.*) before adjustment (?P<number>[0-9]+)")


def judged_name(name: str, *, epoch: int, current: int) -> str:
    """Name a unit in one of its states for the judge: by its own name as it is now."""
    return name if epoch == current else f"{name} before adjustment {epoch + 1}"


def parted_name(name: str) -> tuple[str, int | None]:
    """Return the unit that the judge's name is of, and the adjustment before which it was; None for now."""
    past = _BEFORE.fullmatch(name)
    return (name, None) if past is None else (past["name"], int(past["number"]))


def present_name(name: str) -> str:
    """Return the unit that the judge's name is of, whatever its state: without ``before adjustment 1``."""
    return parted_name(name)[0]
