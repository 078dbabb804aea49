"""Optics: conversions and tables, each an address of its own; nothing is kept."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Query

from shimwise.bench.desk import optics as bench
from shimwise.bench.typed_lengths import typed_distance
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.problems import documented

router = AnswerRouter(prefix="/optics", tags=["optics"], responses=documented(422))

FocalQ = Annotated[float, Query(ge=1, le=5000, description="Focal length [mm].", examples=[35.0])]
SeparationQ = Annotated[float, Query(ge=-1000, le=1000, description="Of the principal planes [mm].")]
LengthQ = Annotated[
    str,
    Query(min_length=1, max_length=80, description="As a technician writes it.", examples=["3'", "INF"]),
]
FnumberQ = Annotated[float, Query(ge=0.5, le=64, description="f-number.", examples=[2.0])]
MicronsQ = Annotated[float, Query(ge=-1e5, le=1e5, description="[µm]")]


@dataclass(frozen=True, slots=True)
class Length:
    """A length in mm; null is infinity."""

    mm: float


@dataclass(frozen=True, slots=True)
class Shift:
    """How far focus moves away from the lens. [µm]"""

    shift_um: float


@dataclass(frozen=True, slots=True)
class MicronChange:
    """How much a part grows. [µm]"""

    change_um: float


@dataclass(frozen=True, slots=True)
class Mounts:
    """The mounts known."""

    mounts: tuple[bench.Mount, ...]


@router.get("/length")
def length(text: LengthQ) -> Length:
    """Read a length as a technician writes it."""
    return Length(typed_distance(text, field="text").mm)


@router.get("/landing")
def landing(
    focal_mm: FocalQ, distance: LengthQ, reading: LengthQ, separation_mm: SeparationQ = 0.0
) -> bench.Landing:
    """Convert a reading to microns at the sensor."""
    return bench.landing(
        focal_mm=focal_mm,
        distance_mm=typed_distance(distance, field="distance").mm,
        reading_mm=typed_distance(reading, field="reading").mm,
        separation_mm=separation_mm,
    )


@router.get("/reading")
def reading(
    focal_mm: FocalQ, distance: LengthQ, landing_um: MicronsQ, separation_mm: SeparationQ = 0.0
) -> bench.RingReading:
    """Compute where the ring is set for an error at the sensor."""
    return bench.ring_reading(
        focal_mm=focal_mm,
        distance_mm=typed_distance(distance, field="distance").mm,
        landing_um=landing_um,
        separation_mm=separation_mm,
    )


@router.get("/depth")
def depth(
    focal_mm: FocalQ,
    fnumber: FnumberQ,
    distance: LengthQ,
    coc_um: Annotated[float, Query(ge=1, le=500, description="Circle of confusion [µm].")] = 20.0,
) -> bench.Depth:
    """Compute depth of field and depth of focus; the distance runs from the FRONT PRINCIPAL PLANE."""
    return bench.depth(
        focal_mm=focal_mm,
        fnumber=fnumber,
        coc_mm=1e-3 * coc_um,
        distance_mm=typed_distance(distance, field="distance").mm,
    )


@router.get("/contrast")
def contrast(
    fnumber: FnumberQ,
    defocus_um: MicronsQ,
    frequency_cy_mm: Annotated[float, Query(gt=0, le=2000, description="Cycles/mm at the sensor.")],
    wavelength_um: Annotated[float, Query(ge=0.2, le=2)] = 0.55,
) -> bench.Contrast:
    """Compute the contrast that a perfect lens passes out of focus."""
    return bench.contrast(
        fnumber=fnumber,
        frequency_cy_mm=frequency_cy_mm,
        defocus_um=defocus_um,
        wavelength_um=wavelength_um,
    )


@router.get("/plate")
def plate(
    thickness_mm: Annotated[float, Query(gt=0, le=100)],
    index: Annotated[float, Query(ge=1, le=4, description="Index of refraction.")],
    fnumber: Annotated[float | None, Query(ge=0.5, le=64, description="Without it paraxial.")] = None,
) -> Shift:
    """Compute how far a plate or gel behind the lens moves focus back."""
    return Shift(bench.plate_shift_um(thickness_mm=thickness_mm, index=index, fnumber=fnumber))


@router.get("/heat")
def heat(
    material: Annotated[str, Query(min_length=1, max_length=40, examples=["aluminium"])],
    length_mm: Annotated[float, Query(gt=0, le=10_000)],
    change_k: Annotated[float, Query(ge=-200, le=200, description="CHANGE of temperature [K].")],
) -> MicronChange:
    """Compute how much a part grows when it warms."""
    return MicronChange(bench.heat_change_um(material=material, length_mm=length_mm, change_k=change_k))


@router.get("/mounts")
def mounts() -> Mounts:
    """List nominal flange depths by mount, with the source of each."""
    return Mounts(bench.mounts())
