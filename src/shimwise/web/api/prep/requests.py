"""Requests of preps, set-ups, readings and gauges."""

from typing import Annotated, Literal, Self

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from shimwise.web.api.kinds import (
    ErrorUm,
    Fnumber,
    Focal,
    Id,
    In,
    Length,
    Name,
    NewId,
    Note,
    OptionalName,
    SdUm,
    ToleranceUm,
    Who,
)

AxisIn = Annotated[
    Literal["", "vertical", "horizontal"], Field(description="Of an anamorphic: the axis judged.")
]
ReadingText = Annotated[
    str,
    StringConstraints(min_length=1, max_length=80),
    Field(
        description="Where the ring is when it is sharp: a length, `on`, or how far short or deep.",
        examples=["2' 11 1/2\"", "on", 'short by 1/4"', "deep by 5 mm"],
    ),
]


class WhoIn(In):
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


class SightIn(In):
    """A lens on a body before a chart. Either the set-up is named, or the distance."""

    body_id: Id
    lens_id: Id
    setup_id: Id | None = None
    distance_text: Annotated[str, StringConstraints(max_length=80)] = ""
    focal_mm: Annotated[Focal | None, Field(description="Of a zoom; else the lens's own.")] = None
    fnumber: Annotated[Fnumber | None, Field(description="Stopped down; else the lens's own.")] = None
    axis: AxisIn = ""

    @model_validator(mode="after")
    def _names_one(self) -> Self:
        if bool(self.setup_id) == bool(self.distance_text.strip()):
            raise ValueError("give either setup_id or distance_text")
        return self


class PreviewIn(SightIn):
    """A reading as far as it is typed."""

    reading_text: ReadingText


class TakenIn(SightIn):
    """What was taken of a sight, by whom and when. Sent twice with the same id it is kept once."""

    id: NewId = None
    operator: Name
    stop: OptionalName = ""
    temperature_c: Annotated[
        float | None, Field(ge=-60, le=80, description="At this reading; empty: as the prep's.")
    ] = None
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
    corrects: Annotated[
        str,
        StringConstraints(pattern=r"^([0-9a-f]{32})?$"),
        Field(description="Id of the reading in whose place it comes: that is withdrawn in the same act."),
    ] = ""
    reason: Annotated[
        str, StringConstraints(max_length=200), Field(description="Why it is corrected; else “mistyped”.")
    ] = ""
    asks: Annotated[
        bool,
        Field(
            description="Refuse a landing farther than body and lens go (409, `landing_beyond`), to ask "
            "before it is kept; sent again without, it is kept."
        ),
    ] = False

    @model_validator(mode="after")
    def _says_one_time(self) -> Self:
        if self.taken_at is not None and self.age_s is not None:
            raise ValueError("give either taken_at or age_s")
        return self


class ReadingIn(TakenIn):
    """A reading by eye."""

    reading_text: ReadingText


class PictureIn(TakenIn):
    """A landing by picture: what the meter measured with the ring at the taped distance."""

    landing_um: ErrorUm
    landing_sd_um: Annotated[
        float,
        Field(
            ge=0.01,
            le=1000,
            description="Standard uncertainty of the picture alone [µm]; of a 95 % interval a quarter of its "
            "width. What the seat and the setting of the ring add is the judge's.",
            examples=[0.7],
        ),
    ]
    setting: Annotated[
        OptionalName,
        Field(
            description="Name of the setting of the ring that repeats share while nobody touches it, of this "
            "lens at this distance; empty: a setting of its own."
        ),
    ] = ""


class Withdrawal(In):
    """Why something is withdrawn, and by whom."""

    reason: Annotated[str, StringConstraints(min_length=1, max_length=200), Field(examples=["tape slipped"])]
    who: Who


class ReadingNote(In):
    """A note put to a reading later; empty takes it away."""

    note: Note
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
