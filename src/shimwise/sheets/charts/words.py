"""Says in words what a chart suits and what it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.choice import DEFOCUS_UM, FINEST_CY_PX, LOWEST_CY_PX
from shimwise.sheets.charts.plan import ChartPlan, SpokeKind

WANTED_PX = 300
SMALL_WANTED_PX = 120
WANTED_SHARE = 0.7


@dataclass(frozen=True, slots=True)
class Advice:
    """Sentences: what the chart suits, and what it does not, the most important first."""

    suits: tuple[str, ...]
    does_not: tuple[str, ...]


def advise(plan: ChartPlan, camera: Camera | None) -> Advice:
    """Say what a chart suits; without a camera only what its print needs."""
    if camera is None:
        return Advice(
            ("A first look, and readings by eye: it was made for no camera in particular.",),
            ("Not checked against any camera: give focal, distance, sensor, pitch and f-number.",),
        )
    suits: list[str] = []
    does_not: list[str] = []
    _star(plan, camera, suits, does_not)
    _rings(plan, camera, suits, does_not)
    _markers(plan, camera, suits, does_not)
    _field(plan, camera, suits, does_not)
    return Advice(tuple(suits), tuple(does_not))


def _star(plan: ChartPlan, camera: Camera, suits: list[str], does_not: list[str]) -> None:
    span_px, small_px = (2 * r / camera.pixel_mm for r in (plan.radius_mm, plan.small_radius_mm))
    text = f"The centre star spans {span_px:.0f} px"
    if span_px >= WANTED_PX:
        suits.append(f"{text}: enough to tell the peak sharply.")
    else:
        does_not.append(
            f"{text}, fewer than {WANTED_PX}: the peak is told less sharply. Larger paper or nearer helps."
        )
    if small_px < SMALL_WANTED_PX:
        does_not.append(f"The small stars span {small_px:.0f} px: tilt is told less sharply.")


def _rings(plan: ChartPlan, camera: Camera, suits: list[str], does_not: list[str]) -> None:
    outer = plan.spokes / (2 * math.pi * plan.radius_mm / camera.pixel_mm)
    finest = camera.pixel_mm / plan.kind.finest_mm
    top = min(FINEST_CY_PX, finest)
    text = f"Its rings cover {outer:.2f} to {top:.2f} cycles/px"
    if outer <= 1.06 * LOWEST_CY_PX and finest >= FINEST_CY_PX:
        suits.append(text + ".")
    elif finest < FINEST_CY_PX:
        other = " Binary stars print finer." if plan.kind is SpokeKind.SINUSOIDAL else ""
        does_not.append(
            f"{text}: finer spokes than {plan.kind.finest_mm:g} mm a pair do not print well.{other}"
        )
    else:
        does_not.append(f"{text}; large blur is seen worse without the band from {LOWEST_CY_PX:g}.")


def _markers(plan: ChartPlan, camera: Camera, suits: list[str], does_not: list[str]) -> None:
    limit_um = camera.marker_defocus_um(plan.marker_mm)
    text = f"Markers are found to about ±{limit_um:.0f} µm of defocus at f/{camera.fnumber:g}"
    if limit_um >= DEFOCUS_UM:
        suits.append(text + ".")
    else:
        does_not.append(f"{text}: keep a sweep within that, or have one sharp frame in it.")


def _field(plan: ChartPlan, camera: Camera, suits: list[str], does_not: list[str]) -> None:
    view = camera.view_mm
    across, down = plan.field_width_mm / view[0], plan.field_height_mm / view[1]
    shares = f"{100 * across:.0f} % of the picture's width and {100 * down:.0f} % of its height"
    text = f"The stars reach over {shares}"
    if min(across, down) >= WANTED_SHARE:
        suits.append(f"{text}: tilt across the frame.")
    else:
        does_not.append(f"{text}: tilt is told for that part only, corners are not seen.")
