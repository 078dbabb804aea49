"""Requests of the house: bodies, lenses, sets and settings."""

import math
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, field_serializer, model_serializer

from shimwise.web.api.kinds import (
    ErrorUm,
    Fnumber,
    Focal,
    Id,
    In,
    Name,
    NewId,
    Note,
    OptionalName,
    SdUm,
    ToleranceUm,
    Who,
)

Microns = Annotated[float, Field(gt=0, le=5000)]
Shim = Annotated[float, Field(ge=1, le=2000, description="Thickness [µm].")]
CocUm = Annotated[float, Field(ge=1, le=500, description="Circle of confusion [µm].", examples=[20.0])]
Separation = Annotated[float, Field(ge=-1000, le=1000, description="Of the principal planes [mm].")]


class Mechanism(In):
    """How a body is adjusted; what is not known is left out."""

    kind: Literal["screw", "shimmed mount", "fixed"]
    um_per_turn: Microns | None = None
    um_per_turn_sd: Annotated[float | None, Field(ge=0, le=5000)] = None
    away: Annotated[
        Literal["", "clockwise", "anticlockwise"],
        Field(description="This way the sensor goes away from the flange."),
    ] = ""
    has_lock: bool | None = None
    backlash_um: Annotated[float | None, Field(ge=0, le=5000)] = None
    stock_um: Annotated[list[Shim], Field(max_length=24)] = Field(default_factory=list)


class _UnitIn(In):
    """What may be known of any unit; what is left out is not known."""

    name: Name
    serial: OptionalName = ""
    mount: Annotated[OptionalName, Field(examples=["PL"])] = ""
    history_mean_um: ErrorUm | None = None
    history_sd_um: SdUm | None = None
    note: Note = ""
    is_retired: bool = False


class BodyIn(_UnitIn):
    """All that is known of a body."""

    pixel_pitch_um: Annotated[float | None, Field(ge=0.5, le=100)] = None
    circle_of_confusion_um: CocUm | None = None
    tolerance_um: ToleranceUm | None = None
    mechanism: Mechanism | None = None
    who: Who


class BodyNew(BodyIn):
    """A new body."""

    id: NewId = None


class TableRow(In):
    """One row of a lens that focuses inside: its focal length and separation at a distance."""

    distance_mm: Annotated[float | None, Field(gt=0, le=1e7, description="null is infinity.")]
    focal_mm: Focal
    separation_mm: Separation = 0.0

    @model_serializer
    def as_facts(self) -> tuple[float, float, float]:
        """Return the row as the facts of a lens hold it."""
        distance_mm = math.inf if self.distance_mm is None else self.distance_mm
        return distance_mm, self.focal_mm, self.separation_mm


Mark = Annotated[float | None, Field(gt=0, le=1e7)]


class LensIn(_UnitIn):
    """All that is known of a lens."""

    focal_lengths_mm: Annotated[
        list[Focal], Field(min_length=1, max_length=12, description="One, or of a zoom several, rising.")
    ]
    fnumber: Fnumber
    separation_mm: Separation | None = None
    focus_design: Literal["", "unit focus", "internal focus"] = ""
    squeeze: Annotated[float, Field(ge=1, le=4)] = 1.0
    by_distance: Annotated[list[TableRow], Field(max_length=50)] = Field(default_factory=list)
    near_mm: Annotated[float | None, Field(gt=0, le=1e7, description="Nearest mark of its scale.")] = None
    scale_unit: Literal["ft", "m"] = "ft"
    marks_mm: Annotated[
        list[Mark],
        Field(max_length=60, description="All engraved distances, from near to far; null is infinity."),
    ] = Field(default_factory=list)
    who: Who

    @field_serializer("marks_mm")
    def as_marks(self, marks_mm: list[float | None]) -> tuple[float, ...]:
        """Return the marks as the facts of a lens hold them."""
        return tuple(math.inf if one is None else one for one in marks_mm)


class LensNew(LensIn):
    """A new lens."""

    id: NewId = None


class SetIn(In):
    """A set: its name and its lenses in order."""

    name: Annotated[Name, Field(examples=["Set H"])]
    lens_ids: Annotated[list[Id], Field(max_length=100)] = Field(default_factory=list)
    note: Note = ""
    who: Who


class SetNew(SetIn):
    """A new set."""

    id: NewId = None


class SettingsIn(In):
    """The house's settings, all of them."""

    units: Literal["ft", "m"] = "ft"
    tolerance_um: ToleranceUm = 10.0
    tolerance_by_mount: Annotated[
        dict[Annotated[str, StringConstraints(min_length=1, max_length=80)], ToleranceUm],
        Field(max_length=50),
    ] = Field(default_factory=dict)
    coc_um: CocUm = 20.0
    shim_stock_um: Annotated[list[Shim], Field(max_length=24)] = Field(default_factory=list)
    theme: Literal["dark", "light"] = "dark"
    setting_sd_mm: Annotated[
        float | None,
        Field(
            ge=0.01,
            le=50,
            description="How exactly a ring is set to its mark: standard uncertainty in object space at 3 ft "
            "[mm], growing as D²; null: the usual .6 (common practice, no source).",
        ),
    ] = None
    who: Who


Rate = Annotated[float, Field(ge=0, le=100, examples=[1.5])]


class WearIn(In):
    """Other rates, all of them, with the reason. [µm, standard deviation]"""

    body_month_um: Rate
    body_job_um: Rate
    lens_month_um: Rate
    lens_job_um: Rate
    reason: Annotated[Name, Field(examples=["drift charts of the last year"])]
    who: Who
