"""What the interface takes and gives of the house: bodies, lenses, sets, its list and its settings."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from shimwise.web.api.kinds import (
    DistanceMm,
    ErrorUm,
    Fnumber,
    Focal,
    Id,
    In,
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
    "BodiesOut",
    "BodyIn",
    "BodyNew",
    "BodyOut",
    "BodyShownOut",
    "HouseListOut",
    "LabelOut",
    "LensIn",
    "LensNew",
    "LensOut",
    "LensShownOut",
    "LensesOut",
    "SetIn",
    "SetNew",
    "SetOut",
    "SetShownOut",
    "SetsOut",
    "SettingsIn",
    "SettingsOut",
]

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
    """What may be said of any unit; what is left out is not known."""

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
    who: Who


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


class MechanismOut(Out):
    """How a body is adjusted."""

    kind: Literal["screw", "shimmed mount", "fixed"]
    um_per_turn: Number
    um_per_turn_sd: Number
    away: str
    has_lock: bool | None
    backlash_um: Number
    stock_um: tuple[float, ...]


class _UnitFactsOut(Out):
    """What is known of any unit."""

    name: str
    serial: str
    mount: str
    history_mean_um: Number
    history_sd_um: Number
    note: str
    is_retired: bool


class BodyFactsOut(_UnitFactsOut):
    """What is known of a body."""

    pixel_pitch_um: Number
    circle_of_confusion_um: Number
    tolerance_um: Number
    mechanism: MechanismOut | None


class LensFactsOut(_UnitFactsOut):
    """What is known of a lens; ``by_distance`` holds rows of distance, focal length and separation [mm]."""

    focal_lengths_mm: tuple[float, ...]
    fnumber: float
    separation_mm: Number
    focus_design: str
    squeeze: float
    by_distance: tuple[tuple[DistanceMm, float, float], ...]
    near_mm: Number
    scale_unit: str


class PastOut(Out):
    """What a verdict said of a unit at the time."""

    prep_id: Id
    prep_title: str
    given_at: When
    epoch: int
    error_um: Number
    sd_um: Number
    low_um: Number
    high_um: Number
    verdict: Literal["in_tolerance", "out_short", "out_deep", "cannot_tell", "not_checked"]
    verdict_words: str
    error_words: str


class BodyOut(Out):
    """A body, with what was last said of it."""

    id: Id
    kind: Literal["body"]
    text: str
    epoch: int
    latest: PastOut | None
    facts: BodyFactsOut


class LensOut(Out):
    """A lens, with what was last said of it."""

    id: Id
    kind: Literal["lens"]
    text: str
    epoch: int
    latest: PastOut | None
    facts: LensFactsOut


class SetOut(Out):
    """A set with its lenses in order."""

    id: Id
    name: str
    note: str
    lens_ids: tuple[str, ...]
    lens_names: tuple[str, ...]


class AdjustmentOut(Out):
    """An adjustment, between two epochs."""

    id: Id
    prep_id: str
    made_at: When
    made_by: str
    action: str
    amount_um: Number
    amount_sd_um: Number
    turns: Number
    epoch_before: int
    epoch_after: int
    note: str


class UsedInOut(Out):
    """A prep in which a unit was tested."""

    prep_id: Id
    title: str
    state: str
    started_at: When
    started_by: str


class BodyShownOut(Out):
    """A body with its past (oldest first), its adjustments and where it is used."""

    body: BodyOut
    past: tuple[PastOut, ...]
    adjustments: tuple[AdjustmentOut, ...]
    preps: tuple[UsedInOut, ...]


class LensShownOut(Out):
    """A lens with its past (oldest first), its adjustments, its sets and where it is used."""

    lens: LensOut
    past: tuple[PastOut, ...]
    adjustments: tuple[AdjustmentOut, ...]
    preps: tuple[UsedInOut, ...]
    sets: tuple[SetOut, ...]


class SetShownOut(Out):
    """A set, its lenses and where it was tested."""

    set: SetOut
    lenses: tuple[LensOut, ...]
    preps: tuple[UsedInOut, ...]


class BodiesOut(Out):
    """Some bodies by name."""

    bodies: tuple[BodyOut, ...]
    next_cursor: str


class LensesOut(Out):
    """Some lenses by name."""

    lenses: tuple[LensOut, ...]
    next_cursor: str


class SetsOut(Out):
    """Some sets by name."""

    sets: tuple[SetOut, ...]
    next_cursor: str


class LabelOut(Out):
    """What a label names."""

    kind: Literal["body", "lens", "set"]
    id: Id
    name: str


class ListChangeOut(Out):
    """One fact that a house's list changes."""

    line: int
    kind: str
    name: str
    field: str
    before: str
    after: str


class ListRefusalOut(Out):
    """A line of a house's list that is not taken."""

    line: int
    column: str
    found: str
    reason: str


class HouseListOut(Out):
    """What a house's list does, or would do. When anything is refused, nothing is taken."""

    is_dry_run: bool
    is_taken: bool
    added: tuple[str, ...]
    changed: tuple[ListChangeOut, ...]
    unchanged: tuple[str, ...]
    refused: tuple[ListRefusalOut, ...]
    warnings: tuple[str, ...]
    understood: Annotated[tuple[str, ...], Field(description="What was read of each new unit.")]


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
    who: Who


class SettingsOut(Out):
    """The house's settings in force."""

    units: Literal["ft", "m"]
    tolerance_um: float
    tolerance_by_mount: dict[str, float]
    coc_um: float
    shim_stock_um: tuple[float, ...]
    theme: Literal["dark", "light"]
