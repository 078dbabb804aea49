"""What a sync did, or would do, and when this machine was at home last."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from shimwise.bench.exchange.sync_plan import FieldDifference, Waiting, Way

SCHEMA = "shimwise.sync/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Synced:
    """One unit, set or prep that went, or would go: ``way`` is ``home``, ``here`` or ``both`` (joined).

    ``fields``: of a unit or set that was there before, what the side it came to had otherwise.
    """

    way: Way
    kind: str
    id: str
    name: str
    is_new: bool
    fields: tuple[FieldDifference, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncNotice:
    """Something to know about a unit, a prep or the whole; ``name`` is empty for the whole."""

    code: str
    name: str = ""
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncReport:
    """What a sync did, or would do.

    Attributes
    ----------
    home : str
        Its address, without a secret.
    clock_off_s : float
        By how much the clock of home is ahead of this machine's. [s]
    """

    schema: str
    home: str
    is_dry_run: bool
    at: datetime
    clock_off_s: float
    done: tuple[Synced, ...]
    waiting: tuple[Waiting, ...]
    notices: tuple[SyncNotice, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AtHome:
    """When this machine was at home last, and how many preps it has to bring."""

    home: str
    at: datetime
    to_bring: int
