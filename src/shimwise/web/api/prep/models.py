"""What the interface takes and gives of preps, set-ups, readings, gauges and verdicts."""

from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from shimwise.web.api.kinds import (
    DistanceMm,
    ErrorUm,
    Fnumber,
    Focal,
    Id,
    In,
    Length,
    Name,
    NewId,
    Note,
    Number,
    OptionalName,
    Out,
    SdUm,
    ToleranceUm,
    When,
    Who,
)

__all__ = [
    "Done",
    "GaugeIn",
    "GaugeOut",
    "PrepIn",
    "PrepLineOut",
    "PrepListOut",
    "PrepOut",
    "PreviewIn",
    "PreviewOut",
    "ReadingIn",
    "ReadingOut",
    "SavedReadingOut",
    "SetupIn",
    "SetupOut",
    "SweepOut",
    "UnitsIn",
    "VerdictOut",
    "Withdrawal",
]

AxisIn = Annotated[
    Literal["", "vertical", "horizontal"], Field(description="Of an anamorphic: the axis judged.")
]
ReadingText = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80),
    Field(
        description="Where the ring stands when it is sharp: a length, `on`, or how far short or deep.",
        examples=["2' 11 1/2\"", "on", 'short by 1/4"', "deep by 5 mm"],
    ),
]


class Done(In):
    """Who does it."""

    who: Who


class PrepIn(In):
    """A prep to be started from bodies, and a set or lenses."""

    id: NewId = None
    body_ids: Annotated[list[Id], Field(min_length=1, max_length=20)]
    set_id: Annotated[Id | None, Field(description="Its lenses are taken, beside those named.")] = None
    lens_ids: Annotated[list[Id], Field(max_length=100)] = Field(default_factory=list)
    title: OptionalName = ""
    tolerance_um: ToleranceUm | None = None
    temperature_c: Annotated[float | None, Field(ge=-60, le=80)] = None
    note: Note = ""
    who: Who


class UnitsIn(In):
    """Bodies and lenses to be added to a prep."""

    body_ids: Annotated[list[Id], Field(max_length=20)] = Field(default_factory=list)
    lens_ids: Annotated[list[Id], Field(max_length=100)] = Field(default_factory=list)
    who: Who


class SetupIn(In):
    """A chart taped at a distance from a body's witness mark."""

    id: NewId = None
    body_id: Id
    distance_text: Length
    name: OptionalName = ""
    chart: OptionalName = ""
    who: Who


class PreviewIn(In):
    """A reading as far as it is typed. Either the set-up is named, or the distance."""

    body_id: Id
    lens_id: Id
    setup_id: Id | None = None
    distance_text: Annotated[str, StringConstraints(max_length=80)] = ""
    reading_text: ReadingText
    focal_mm: Annotated[Focal | None, Field(description="Of a zoom; else the lens's own.")] = None
    fnumber: Annotated[Fnumber | None, Field(description="Stopped down; else the lens's own.")] = None
    axis: AxisIn = ""

    @model_validator(mode="after")
    def _names_one(self) -> "PreviewIn":
        if bool(self.setup_id) == bool(self.distance_text.strip()):
            raise ValueError("give either setup_id or distance_text")
        return self


class ReadingIn(PreviewIn):
    """A reading. Sent twice with the same id it is kept once."""

    id: NewId = None
    operator: Name
    stop: OptionalName = ""
    at: Annotated[OptionalName, Field(description="When or where, as the person writes it.")] = ""
    note: Note = ""
    taken_at: Annotated[
        AwareDatetime | None,
        Field(
            description="When it was read, where it is sent later. Refused before the prep began and in the "
            "future; 409 where body or lens was adjusted since.",
            examples=["2026-03-04T09:30:00Z"],
        ),
    ] = None
    age_s: Annotated[
        float | None,
        Field(
            ge=0,
            description="The same from a device whose clock may be wrong: how long before it was sent [s].",
        ),
    ] = None

    @model_validator(mode="after")
    def _says_one_time(self) -> "ReadingIn":
        if self.taken_at is not None and self.age_s is not None:
            raise ValueError("give either taken_at or age_s")
        return self


class Withdrawal(In):
    """Why something is withdrawn, and by whom."""

    reason: Annotated[str, StringConstraints(min_length=1, max_length=200), Field(examples=["tape slipped"])]
    who: Who


class GaugeIn(In):
    """A depth-gauge value of a body (deviation from nominal) or a collimator value of a lens."""

    id: NewId = None
    unit_kind: Literal["body", "lens"]
    unit_id: Id
    value_um: ErrorUm
    sd_um: SdUm
    instrument: OptionalName = ""
    note: Note = ""
    who: Who


class PrepUnitOut(Out):
    """A body or lens of a prep."""

    id: Id
    kind: Literal["body", "lens"]
    name: str
    serial: str
    mount: str
    text: str
    focal_lengths_mm: tuple[float, ...]
    fnumber: Number
    squeeze: float
    near_mm: Number
    scale_unit: str
    tolerance_um: Number
    coc_um: Number
    epoch: int
    reading_count: int


class SetupOut(Out):
    """A set-up."""

    id: Id
    body_id: Id
    body: str
    name: str
    distance_mm: DistanceMm
    distance_text: str
    chart: str
    taped_by: str
    taped_at: When


class ReadingOut(Out):
    """A reading with its landing and what the others say of it."""

    id: Id
    number: int
    prep_id: Id
    body_id: Id
    body: str
    lens_id: Id
    lens: str
    setup_id: Id
    setup: str
    distance_mm: DistanceMm
    distance_text: str
    reading_mm: DistanceMm
    reading_text: str
    focal_mm: float
    fnumber: float
    axis: str
    landing_um: Annotated[float, Field(description="[µm, short < 0 < deep]", examples=[-14.2])]
    landing_sd_um: float
    landing_words: Annotated[str, Field(examples=["14 µm short"])]
    agreement: Literal["first", "agrees", "apart"]
    agreement_words: Annotated[str, Field(examples=["agrees with the others"])]
    operator: str
    stop: str
    note: str
    taken_at: When
    weight: Annotated[Number, Field(description="Its say in the latest verdict; null: not in it.")]
    is_withdrawn: bool
    withdrawn_reason: str
    withdrawn_by: str
    withdrawn_at: When | None
    is_past: Annotated[bool, Field(description="Body or lens was adjusted since.")]


class SavedReadingOut(Out):
    """A reading that is kept, the prep's revision with it, and whether it is new."""

    reading: ReadingOut
    is_new: bool
    revision: int


class PreviewOut(Out):
    """What a reading would say; nothing is kept."""

    landing_um: float
    landing_sd_um: float
    landing_words: str
    agreement: Literal["first", "agrees", "apart"]
    agreement_words: str
    distance_mm: DistanceMm
    reading_mm: DistanceMm
    reading_text: str
    words: str


class GaugeOut(Out):
    """A gauge's value."""

    id: Id
    prep_id: Id | None
    unit_kind: Literal["body", "lens"]
    unit_id: Id
    unit: str
    value_um: float
    sd_um: float
    instrument: str
    note: str
    taken_by: str
    taken_at: When
    is_withdrawn: bool
    withdrawn_reason: str


class SweepOut(Out):
    """A measured sweep; ``result`` is the document ``shimwise.sweep/1``."""

    id: Id
    body_id: Id
    body: str
    lens_id: Id
    lens: str
    setup_id: Id
    setup: str
    landing_um: Number
    sd_um: Annotated[Number, Field(description="Of the peak that the frames gave.")]
    landing_sd_um: Annotated[Number, Field(description="As judged: how the lens sits each time included.")]
    words: str
    flags: tuple[str, ...]
    taken_by: str
    taken_at: When
    is_withdrawn: bool
    withdrawn_reason: str
    is_past: Annotated[bool, Field(description="Body or lens was adjusted since.")]
    result: dict[str, Any]


class UnitVerdictOut(Out):
    """What is said of a unit."""

    unit_id: str
    kind: Literal["body", "lens"]
    name: str
    text: str
    error_um: Number
    sd_um: Number
    low_um: Number
    high_um: Number
    p_out: Number
    verdict: Literal["in_tolerance", "out_short", "out_deep", "cannot_tell", "not_checked"]
    verdict_words: str
    error_words: str
    tolerance_um: float
    surer: str
    scale_permille: Number
    scale_sd_permille: Number
    p_scale_out: Number


class SetupVerdictOut(Out):
    """What is said of a set-up."""

    setup_id: str
    name: str
    error_mm: Number
    sd_mm: Number
    p_out: Number
    words: str


class CauseOut(Out):
    """One thing that may be wrong."""

    kind: Literal["body", "lens", "scale", "setup"]
    unit: str
    probability: Number
    words: str


class NextOut(Out):
    """A reading worth taking next."""

    body_id: str
    body: str
    lens_id: str
    lens: str
    distance_mm: DistanceMm
    distance_text: str
    setup_id: str
    sd_after_um: Number
    words: str


class RemedyOut(Out):
    """What to do about a unit."""

    unit: str
    kind: str
    action: str
    direction: str
    amount_um: Number
    text: str
    turns: Number
    turn: str
    shims_um: tuple[float, ...]
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


class VerdictOut(Out):
    """A verdict as it was given; ``document`` is ``shimwise.verdict/2``."""

    id: Id
    prep_id: Id
    revision: int
    is_current: bool
    given_at: When
    program_version: str
    tolerance_um: float
    headline: str
    second_line: str
    bodies: tuple[UnitVerdictOut, ...]
    lenses: tuple[UnitVerdictOut, ...]
    setups: tuple[SetupVerdictOut, ...]
    causes: tuple[CauseOut, ...]
    next: tuple[NextOut, ...]
    remedies: tuple[RemedyOut, ...]
    warnings: tuple[str, ...]
    document: dict[str, Any]


class PrepOut(Out):
    """A whole prep."""

    id: Id
    title: str
    state: str
    started_at: When
    started_by: str
    closed_at: When | None
    temperature_c: Number
    note: str
    set_id: str
    set_name: str
    tolerance_um: float
    revision: int
    bodies: tuple[PrepUnitOut, ...]
    lenses: tuple[PrepUnitOut, ...]
    setups: tuple[SetupOut, ...]
    readings: tuple[ReadingOut, ...]
    gauges: tuple[GaugeOut, ...]
    sweeps: tuple[SweepOut, ...]
    verdict: VerdictOut | None


class PrepLineOut(Out):
    """A prep in a list."""

    id: Id
    title: str
    state: str
    started_at: When
    started_by: str
    closed_at: When | None
    bodies: tuple[str, ...]
    set_name: str
    lens_count: int
    reading_count: int
    revision: int
    headline: str


class PrepListOut(Out):
    """Some preps, newest first."""

    preps: tuple[PrepLineOut, ...]
    next_cursor: str
