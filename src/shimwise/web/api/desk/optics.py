"""The optician's slide rule: conversions and tables, each an address of its own; nothing is kept."""

from typing import Annotated

from fastapi import APIRouter, Query

from shimwise.bench.desk import optics as bench
from shimwise.web.api.kinds import DistanceMm, Out
from shimwise.web.api.lengths import length_mm
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(prefix="/optics", tags=["optics"], responses=documented(422))

FocalQ = Annotated[float, Query(ge=1, le=5000, description="Focal length [mm].", examples=[35.0])]
SeparationQ = Annotated[float, Query(ge=-1000, le=1000, description="Of the principal planes [mm].")]
LengthQ = Annotated[
    str,
    Query(min_length=1, max_length=80, description="As a technician writes it.", examples=["3'", "INF"]),
]
FnumberQ = Annotated[float, Query(ge=0.5, le=64, description="f-number.", examples=[2.0])]
MicronsQ = Annotated[float, Query(ge=-1e5, le=1e5, description="[µm]")]


class LengthOut(Out):
    """A length in mm; null is infinity."""

    mm: DistanceMm


class LandingOut(Out):
    """A landing at the sensor [µm, short < 0 < deep]."""

    landing_um: float
    magnification: float


class RingOut(Out):
    """Where the ring stands; null is infinity."""

    reading_mm: DistanceMm
    reading_text: str


class DepthOut(Out):
    """Depth of field from the front principal plane, and of focus at the sensor [mm]; null is infinity."""

    hyperfocal_mm: float
    near_mm: float
    far_mm: DistanceMm
    magnification: float
    depth_of_focus_mm: float


class ContrastOut(Out):
    """Contrast that passes, signed, and its size."""

    otf: float
    mtf: float


class ShiftOut(Out):
    """How far focus moves away from the lens. [µm]"""

    shift_um: float


class ChangeOut(Out):
    """How much a part grows. [µm]"""

    change_um: float


class MountOut(Out):
    """A mount, its flange depth and where that value is from."""

    mount: str
    flange_mm: float
    source: str


class MountsOut(Out):
    """The mounts known."""

    mounts: tuple[MountOut, ...]


@router.get("/length")
def length(text: LengthQ) -> LengthOut:
    """Read a length as a technician writes it."""
    return LengthOut(mm=length_mm(text, field="text"))


@router.get("/landing")
def landing(
    focal_mm: FocalQ, distance: LengthQ, reading: LengthQ, separation_mm: SeparationQ = 0.0
) -> LandingOut:
    """Turn a reading into microns at the sensor."""
    answer = bench.landing(
        focal_mm=focal_mm,
        distance_mm=length_mm(distance, field="distance"),
        reading_mm=length_mm(reading, field="reading"),
        separation_mm=separation_mm,
    )
    return LandingOut.model_validate(answer)


@router.get("/reading")
def reading(
    focal_mm: FocalQ, distance: LengthQ, landing_um: MicronsQ, separation_mm: SeparationQ = 0.0
) -> RingOut:
    """Tell where the ring will stand for an error at the sensor."""
    answer = bench.ring_reading(
        focal_mm=focal_mm,
        distance_mm=length_mm(distance, field="distance"),
        landing_um=landing_um,
        separation_mm=separation_mm,
    )
    return RingOut.model_validate(answer)


@router.get("/depth")
def depth(
    focal_mm: FocalQ,
    fnumber: FnumberQ,
    distance: LengthQ,
    coc_um: Annotated[float, Query(ge=1, le=500, description="Circle of confusion [µm].")] = 20.0,
) -> DepthOut:
    """Tell depth of field and depth of focus; the distance runs from the FRONT PRINCIPAL PLANE."""
    answer = bench.depth(
        focal_mm=focal_mm,
        fnumber=fnumber,
        coc_mm=1e-3 * coc_um,
        distance_mm=length_mm(distance, field="distance"),
    )
    return DepthOut.model_validate(answer)


@router.get("/contrast")
def contrast(
    fnumber: FnumberQ,
    defocus_um: MicronsQ,
    frequency_cy_mm: Annotated[float, Query(gt=0, le=2000, description="Cycles/mm at the sensor.")],
    wavelength_um: Annotated[float, Query(ge=0.2, le=2)] = 0.55,
) -> ContrastOut:
    """Tell what contrast a perfect lens passes out of focus."""
    answer = bench.contrast(
        fnumber=fnumber,
        frequency_cy_mm=frequency_cy_mm,
        defocus_um=defocus_um,
        wavelength_um=wavelength_um,
    )
    return ContrastOut.model_validate(answer)


@router.get("/plate")
def plate(
    thickness_mm: Annotated[float, Query(gt=0, le=100)],
    index: Annotated[float, Query(ge=1, le=4, description="Index of refraction.")],
    fnumber: Annotated[float | None, Query(ge=0.5, le=64, description="Without it paraxial.")] = None,
) -> ShiftOut:
    """Tell how far a plate or gel behind the lens moves focus back."""
    return ShiftOut(shift_um=bench.plate_shift_um(thickness_mm=thickness_mm, index=index, fnumber=fnumber))


@router.get("/heat")
def heat(
    material: Annotated[str, Query(min_length=1, max_length=40, examples=["aluminium"])],
    length_mm: Annotated[float, Query(gt=0, le=10_000)],
    change_k: Annotated[float, Query(ge=-200, le=200, description="CHANGE of temperature [K].")],
) -> ChangeOut:
    """Tell how much a part grows when it warms."""
    return ChangeOut(
        change_um=bench.heat_change_um(material=material, length_mm=length_mm, change_k=change_k)
    )


@router.get("/mounts")
def mounts() -> MountsOut:
    """List nominal flange depths by mount, with the source of each."""
    return MountsOut(mounts=tuple(MountOut.model_validate(mount) for mount in bench.mounts()))
