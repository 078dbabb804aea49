"""Signatures, as pages, the interface and the command line show them: plain frozen values, UTC times."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Undecided:
    """A unit that prevents a signature, and why; ``kind``: ``body`` or ``lens``."""

    unit_id: str
    kind: str
    name: str
    verdict: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExceptionView:
    """A unit that goes out undecided: the reason, and the name of whoever answers for it."""

    unit_id: str
    unit: str
    reason: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffView:
    """A signature. ``is_standing``: the prep has not been opened again since.

    ``as_set``: bodies and lenses were signed together, for where they land; else each unit by itself.
    """

    id: str
    prep_id: str
    revision: int
    signed_by: str
    signed_at: datetime
    digest: str
    digest_words: str
    exceptions: tuple[ExceptionView, ...]
    is_standing: bool
    as_set: bool
