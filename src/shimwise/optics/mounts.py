"""Nominal flange depths by mount, each with the source of its value. No tolerance is known for any."""

from dataclasses import dataclass
from functools import cache

from shimwise.optics._tables import rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """A lens mount: the trade's name, its flange depth [mm, seat to sensor plane] and where that is from."""

    mount: str
    flange_mm: float
    source: str


@cache
def mounts() -> tuple[Mount, ...]:
    """Return the known mounts, in the order of the data file ``mounts.csv``."""
    return tuple(
        Mount(mount=row["mount"], flange_mm=float(row["flange_mm"]), source=row["source"])
        for row in rows("mounts.csv")
    )
