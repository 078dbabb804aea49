"""What a chart suits and what it does not, in sentences."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import DEFOCUS_UM, FINEST_CY_PX, LOWEST_CY_PX
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind

WANTED_PX = 300
SMALL_WANTED_PX = 120
WANTED_SHARE = 0.7
Verdicts = Iterator[tuple[bool, str]]
"""Sentences, each with whether the chart suits."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Sentences: what the chart suits, and what it does not, the most important first."""

    suits: tuple[str, ...]
    does_not: tuple[str, ...]


def advise(plan: ChartPlan, camera: Camera | None) -> Advice:
    """Return what a chart suits; without a camera only what its print needs."""
    if camera is None:
        return Advice(
            ("A first look, and readings by eye: it was made for no camera in particular.",),
            ("Not checked against any camera: give focal, distance, sensor, pitch and f-number.",),
        )
    found = [verdict for part in (_star, _rings, _markers, _field) for verdict in part(plan, camera)]
    return Advice(
        tuple(text for is_suited, text in found if is_suited),
        tuple(text for is_suited, text in found if not is_suited),
    )


def _star(plan: ChartPlan, camera: Camera) -> Verdicts:
    span_px, small_px = (2 * r / camera.pixel_mm for r in (plan.radius_mm, plan.small_radius_mm))
    text = f"The centre star spans {span_px:.0f} px"
    if span_px >= WANTED_PX:
        yield True, f"{text}: enough to tell the peak sharply."
    else:
        few = f"fewer than {WANTED_PX}: the peak is told less sharply. Larger paper or nearer helps."
        yield False, f"{text}, {few}"
    if small_px < SMALL_WANTED_PX:
        yield False, f"The small stars span {small_px:.0f} px: tilt is told less sharply."


def _rings(plan: ChartPlan, camera: Camera) -> Verdicts:
    outer = plan.spokes / (2 * math.pi * plan.radius_mm / camera.pixel_mm)
    finest = camera.pixel_mm / plan.kind.finest_mm
    text = f"Its rings cover {outer:.2f} to {min(FINEST_CY_PX, finest):.2f} cycles/px"
    if finest < FINEST_CY_PX:
        other = " Binary stars print finer." if plan.kind is SpokeKind.SINUSOIDAL else ""
        yield False, f"{text}: finer spokes than {plan.kind.finest_mm:g} mm a pair do not print well.{other}"
    elif outer <= 1.06 * LOWEST_CY_PX:
        yield True, f"{text}."
    else:
        yield False, f"{text}; large blur is seen worse without the band from {LOWEST_CY_PX:g}."


def _markers(plan: ChartPlan, camera: Camera) -> Verdicts:
    limit_um = camera.marker_defocus_um(plan.marker_mm)
    is_wide = limit_um >= DEFOCUS_UM
    rest = "." if is_wide else ": keep a sweep within that, or have one sharp frame in it."
    yield is_wide, f"Markers are found to about ±{limit_um:.0f} µm of defocus at f/{camera.fnumber:g}{rest}"


def _field(plan: ChartPlan, camera: Camera) -> Verdicts:
    view = camera.view_mm
    across, down = plan.field_width_mm / view[0], plan.field_height_mm / view[1]
    shares = f"{100 * across:.0f} % of the picture's width and {100 * down:.0f} % of its height"
    is_wide = min(across, down) >= WANTED_SHARE
    rest = "tilt across the frame." if is_wide else "tilt is told for that part only, corners are not seen."
    yield is_wide, f"The stars reach over {shares}: {rest}"
