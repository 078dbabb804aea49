"""What the record keeps, one frozen value for each kind of row; the tables are made of these declarations.

Ids are made by whoever creates a row. Times are UTC. Lengths in millimetres, errors in microns at the sensor
(short < 0 < deep). None is "not known"; an empty text is "nothing was written". What a person typed is kept
beside the number it means. ``seq``, ``revision`` and ``epoch`` are counted by the record.

The annotation of a field is its column (:func:`shimwise.record.tables.columns.columns_of`): without ``None``
the column is never null. A change here needs a migration; a test compares the two.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any

from sqlalchemy import BigInteger, Integer

from shimwise.record.tables.columns import (
    NO_COLUMN,
    LengthList,
    LengthTable,
    PackedJson,
    PackedText,
    References,
)

BodyId = Annotated[str, References("bodies")]
LensId = Annotated[str, References("lenses")]
SetId = Annotated[str, References("sets")]
PrepId = Annotated[str, References("preps")]
PersonId = Annotated[str, References("people")]
SetupId = Annotated[str, References("setups")]
PackedDocument = Annotated[Mapping[str, Any], PackedJson()]
Ids = Annotated[tuple[str, ...], NO_COLUMN]
"""Ids in their order, which are rows of another table."""
Elsewhere = Annotated[str, NO_COLUMN]
"""A text that another table or, of a unit, one of the columns ``body_id`` and ``lens_id`` holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRow:
    """What bodies and lenses have in common; ``epoch``: adjustments so far."""

    id: str
    name: str
    serial: str = ""
    mount: str = ""
    history_mean_um: float | None = None
    history_sd_um: float | None = None
    epoch: int = 0
    note: str = ""
    is_retired: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawable:
    """A row that is never deleted: it is withdrawn, with a reason."""

    withdrawn_at: datetime | None = None
    withdrawn_by: str = ""
    withdrawn_reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BodyRow(UnitRow):
    """A body of the house. ``mechanism``: how it is adjusted, as JSON."""

    pixel_pitch_um: float | None = None
    circle_of_confusion_um: float | None = None
    tolerance_um: float | None = None
    mechanism: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensRow(UnitRow):
    """A lens of the house; a zoom has several focal lengths. ``by_distance``: (distance, f, H) rows [mm].

    ``marks_mm``: its engraved distances from near to far, infinity allowed; empty where they are not known.
    """

    focal_lengths_mm: tuple[float, ...] = ()
    fnumber: float | None = None
    separation_mm: float | None = None
    focus_design: str = ""
    squeeze: float = 1.0
    by_distance: Annotated[tuple[tuple[float, float, float], ...], LengthTable()] = ()
    near_mm: float | None = None
    scale_unit: str = "ft"
    marks_mm: Annotated[tuple[float, ...], LengthList()] | None = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SetRow:
    """Lenses that travel together, in their order."""

    id: str
    name: str
    lens_ids: Ids = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepRow:
    """One job. ``state``: ``open``, ``done`` or ``signed``; ``revision`` goes up with every change of it.

    ``epoch_shifts``: of a signed prep, by unit, adjustments made elsewhere that its rows do not count.
    """

    id: str
    title: str
    started_at: datetime
    started_by: str
    state: str = "open"
    closed_at: datetime | None = None
    closed_by: str = ""
    temperature_c: float | None = None
    note: str = ""
    set_id: SetId | None = None
    tolerance_um: float | None = None
    revision: int = 0
    body_ids: Ids = ()
    lens_ids: Ids = ()
    epoch_shifts: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepLine:
    """A prep in a list; ``reading_count``: readings that are not withdrawn."""

    id: str
    title: str
    state: str
    started_at: datetime
    started_by: str
    closed_at: datetime | None
    bodies: tuple[str, ...]
    set_name: str
    lens_count: int
    reading_count: int
    revision: int
    headline: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupRow:
    """One body and one chart taped at one distance."""

    id: str
    prep_id: PrepId
    body_id: BodyId
    name: str
    distance_mm: float
    distance_text: str
    taped_by: str
    taped_at: datetime
    chart: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow(Withdrawable):
    """One landing: seen by eye, or by picture. ``seq`` is its number in the prep, from 1.

    By picture ``landing_um`` and its own standard uncertainty ``landing_sd_um`` are kept, the ring is at
    the taped distance, and ``setting`` names the setting of the ring that repeats share.
    """

    id: str
    prep_id: PrepId
    setup_id: SetupId
    body_id: BodyId
    lens_id: LensId
    focal_mm: float
    fnumber: float
    reading_mm: float
    reading_text: str
    operator: str
    taken_at: datetime
    body_epoch: int = 0
    lens_epoch: int = 0
    axis: str = ""
    stop: str = ""
    at_text: str = ""
    note: str = ""
    seq: int = 0
    temperature_c: float | None = None
    landing_um: float | None = None
    landing_sd_um: float | None = None
    setting: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRow(Withdrawable):
    """A depth-gauge value of a body or a collimator value of a lens (by ``unit_kind``)."""

    id: str
    unit_kind: Elsewhere
    unit_id: Elsewhere
    value_um: float
    sd_um: float
    taken_by: str
    taken_at: datetime
    prep_id: PrepId | None = None
    epoch: int = 0
    instrument: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRow(Withdrawable):
    """A measured sweep: the result (``shimwise.sweep/2``) and the place where the frames lie."""

    id: str
    prep_id: PrepId
    body_id: BodyId
    lens_id: LensId
    result: Mapping[str, Any]
    taken_by: str
    taken_at: datetime
    setup_id: SetupId | None = None
    landing_um: float | None = None
    sd_um: float | None = None
    frames_place: str = ""
    body_epoch: int = 0
    lens_epoch: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRow:
    """A verdict as given at the time, on the prep's ``revision``, by the program's version of then."""

    id: str
    prep_id: PrepId
    revision: int
    given_at: datetime
    program_version: str
    document: PackedDocument
    headline: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLineRow:
    """One unit in a prep's latest verdict. [µm]

    ``state`` is its rung on the ladder of verdicts; None in lines of documents older than it.
    """

    prep_id: PrepId
    prep_title: Elsewhere
    unit_kind: Elsewhere
    unit_id: Elsewhere
    epoch: int
    given_at: datetime
    error_um: float | None
    sd_um: float | None
    low_um: float | None
    high_um: float | None
    p_out: float | None
    verdict: str
    state: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustmentRow:
    """Something turned or shimmed; it parts two epochs of a unit."""

    id: str
    unit_kind: Elsewhere
    unit_id: Elsewhere
    action: str
    made_by: str
    made_at: datetime
    prep_id: PrepId | None = None
    epoch_before: int = 0
    epoch_after: int = 1
    amount_um: float | None = None
    amount_sd_um: float | None = None
    turns: float | None = None
    note: str = ""
    steps: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOffRow:
    """A prep signed at a revision. ``digest``: of what was signed; ``exceptions``: what was signed over.

    ``as_set``: whether bodies and lenses were signed together; None: each unit by itself.
    ``signed_json``: what was signed, letter by letter, with the digest as its SHA-256; None if not kept.
    ``seal``: the house's signature under it (:mod:`shimwise.sheets.papers.signed.seal`); None before 0.3.
    """

    id: str
    prep_id: PrepId
    revision: int
    signed_by: str
    signed_at: datetime
    digest: str
    exceptions: tuple[Any, ...] = ()
    signed_json: Annotated[str, PackedText()] | None = None
    as_set: bool | None = None
    seal: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryRow:
    """What the house remembered of its units after a signature or a move (``cause``) of a prep."""

    seq: int
    at: datetime
    prep_id: PrepId
    cause: str
    document: PackedDocument


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonRow:
    """Someone who has written something into the record.

    ``role``: of who signs in with a PIN, whose hash is ``pin_hash``; None of a name that was typed.
    """

    id: str
    name: str
    role: str | None = None
    pin_hash: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenRow:
    """A secret by which somebody is known again, kept as its digest until it expires.

    ``kind``: ``device``, ``program`` or ``session``, the last of a person (``person_id``) on a device
    (``device_id``). ``how`` it came in; ``role``: of a program. ``seen_at``: to some minutes.
    """

    id: str
    kind: str
    name: str
    digest: str
    made_at: datetime
    expires_at: datetime
    how: str
    seen_at: datetime | None = None
    role: str | None = None
    person_id: PersonId | None = None
    device_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRow:
    """Work that is done beside the pages: one row for each prep's verdict, for each sweep, and for learning.

    ``task``: what is to be done; None before a sweep's frames are there and once they are gone. ``asked``:
    how often it was asked for. ``tries``: how often it was taken since; ``lease``: how often ever, by which a
    server that lost it is known. Until ``lease_until``, by the database's clock, it is its ``server``'s.
    ``problem``: why it failed, with its code.
    """

    id: str
    kind: str
    prep_id: str | None
    state: str
    made_at: datetime
    title: str = ""
    task: Mapping[str, Any] | None = field(default_factory=dict)
    asked: int = 1
    tries: int = 0
    lease: int = 0
    server: str = ""
    taken_at: datetime | None = None
    lease_until: datetime | None = None
    progress: Mapping[str, Any] = field(default_factory=dict)
    problem: str = ""
    problem_code: str = ""
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncMarkRow:
    """What this record and its home both had of one document when they were last one.

    ``seq`` and ``home_seq``: the last line about it in either journal, by which a change since is seen
    without reading it. ``content``: what is compared field by field.
    """

    id: str
    kind: str
    digest: str
    seq: Annotated[int, BigInteger()]
    home_seq: Annotated[int, BigInteger()]
    content: PackedDocument


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortLivedRow:
    """What holds until it expires, of a ``kind``: a code to pair by (``code``), or tries of a PIN (``pin``).

    ``key``: a digest. ``count``: of tries; ``waits_until``: when the next is taken.
    """

    key: str
    kind: str
    expires_at: datetime
    count: int = 0
    waits_until: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRow:
    """One line of the journal: what was done when and by whom. ``seq`` rises by one, without holes."""

    seq: Annotated[int, BigInteger().with_variant(Integer(), "sqlite")]
    at: datetime
    who: str
    what: str
    prep_id: str | None = None
    unit_id: str | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)
