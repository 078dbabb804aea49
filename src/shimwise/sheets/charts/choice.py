"""How large stars, squares and markers are: for a camera, or as a sheet of that size allows."""

import itertools
import math
from dataclasses import replace

from shimwise.errors import SheetError
from shimwise.sheets.charts.camera import Camera
from shimwise.sheets.charts.layout import room_mm, trouble
from shimwise.sheets.charts.paper import Paper
from shimwise.sheets.charts.plan import STEP_MM, ChartPlan, SpokeKind

LOWEST_CY_PX = 0.08
FINEST_CY_PX = 0.42
"""Rings of a star should cover this band, cycles/px."""
DEFOCUS_UM = 100.0
"""Defocus up to which markers should be found, µm."""
VIEW_SHARE = 0.94
"""Share of the picture that stars may fill: what is framed by hand is never framed exactly."""
STAR_PX = (560, 520, 480, 440, 400, 360, 330, 300)
SMALL_SHARE = (0.6, 0.54, 0.48, 0.42, 0.36, 0.3)
MARKER_SHARE = (2.4, 2.0, 1.6, 1.3, 1.0)
LESS = (0.85, 0.7, 0.55, 0.45, 0.35, 0.25, 0.18, 0.12)
LEAST_MARKER_PX = 24
SQUARE_PX = 140
MOST_SPOKES = 360
LEAST_RANGE = 2.5
"""Least ratio of the finest ring that prints to the outermost one."""


def choose_plan(
    paper: Paper, camera: Camera, *, stars: int = 5, kind: SpokeKind = SpokeKind.BINARY
) -> ChartPlan:
    """Choose a plan for a camera.

    The centre star spans 560 down to 300 px where that fits, and fewer only where it must; the outermost ring
    lies just below 0.08 cycles/px; markers are safe to ±100 µm of defocus where they fit, and smaller only
    after that.

    Raises
    ------
    SheetError
        If nothing that can be measured fits.
    """
    blank = _blank(paper, stars, kind, view_mm=camera.view_mm)
    need_mm = max(camera.marker_mm(DEFOCUS_UM), LEAST_MARKER_PX * camera.pixel_mm)
    tries = [
        *itertools.product((*MARKER_SHARE, *LESS), STAR_PX, SMALL_SHARE),
        *itertools.product((1.0, *LESS), [300 * less for less in LESS], SMALL_SHARE),
    ]
    for marker, star_px, small in tries:
        plan = _plan(blank, camera, marker_mm=marker * need_mm, star_px=star_px, small_px=small * star_px)
        if plan is not None and not trouble(plan):
            return plan
    view, field = camera.view_mm, (blank.field_width_mm, blank.field_height_mm)
    raise SheetError(
        f"No star fits: at {camera.distance_mm:.0f} mm the picture covers {view[0]:.0f} × {view[1]:.0f} mm, "
        f"on {paper.name} stars may fill {field[0]:.0f} × {field[1]:.0f} mm. Take another distance or paper."
    )


def standard_plan(paper: Paper, *, stars: int = 5, kind: SpokeKind = SpokeKind.BINARY) -> ChartPlan:
    """Return the plan of a chart for no camera in particular: parts in proportion to the sheet."""
    blank = _blank(paper, stars, kind, view_mm=(math.inf, math.inf))
    short = min(blank.field_width_mm, blank.field_height_mm)
    for less in (1.0, 0.9, 0.8, 0.7, 0.6):
        plan = replace(
            blank,
            radius_mm=_step(0.23 * short * less),
            small_radius_mm=_step(0.115 * short * less),
            marker_mm=_step(0.16 * short * less),
            square_mm=_step(0.16 * short * less),
            spokes=72,
            small_spokes=36,
        )
        if not trouble(plan):
            return plan
    raise SheetError(f"{paper.name} is too narrow for {stars} stars; choose another paper or --stars 5.")


def spokes_for(radius_px: float, *, finest_cy_px: float = FINEST_CY_PX) -> int:
    """Return the count of spokes, in fours, whose outermost ring is at or just below the lowest frequency.

    Lower still where the print resolves no more than ``finest_cy_px``: then some rings are left to measure.
    """
    lowest = min(LOWEST_CY_PX, finest_cy_px / LEAST_RANGE)
    return min(MOST_SPOKES, 4 * math.floor(2 * math.pi * radius_px * lowest / 4))


def _blank(paper: Paper, stars: int, kind: SpokeKind, *, view_mm: tuple[float, float]) -> ChartPlan:
    if stars not in (5, 9):
        raise SheetError(f"A chart has 5 or 9 stars, not {stars}.")
    room = room_mm(paper.width_mm, paper.height_mm)
    return ChartPlan(
        width_mm=_step(paper.width_mm),
        height_mm=_step(paper.height_mm),
        field_width_mm=_step_down(min(room[0], VIEW_SHARE * view_mm[0])),
        field_height_mm=_step_down(min(room[1], VIEW_SHARE * view_mm[1])),
        stars=stars,
        kind=kind,
    )


def _plan(
    blank: ChartPlan, camera: Camera, *, marker_mm: float, star_px: float, small_px: float
) -> ChartPlan | None:
    """Return the plan with its parts; None if a part is too small to print or to see."""
    pixel_mm = camera.pixel_mm
    finest = pixel_mm / blank.kind.finest_mm
    spokes, small_spokes = (spokes_for(px / 2, finest_cy_px=finest) for px in (star_px, small_px))
    if small_spokes < 8 or marker_mm < LEAST_MARKER_PX / 2 * pixel_mm or star_px * pixel_mm < 4:
        return None
    short = min(blank.field_width_mm, blank.field_height_mm)
    return replace(
        blank,
        radius_mm=_step_up(star_px / 2 * pixel_mm),
        spokes=spokes,
        small_radius_mm=_step_up(small_px / 2 * pixel_mm),
        small_spokes=small_spokes,
        marker_mm=_step_up(marker_mm),
        square_mm=_step(min(SQUARE_PX * pixel_mm, 0.16 * short)),
    )


def _step(mm: float) -> float:
    return round(round(mm / STEP_MM) * STEP_MM, 2)


def _step_up(mm: float) -> float:
    return round(math.ceil(mm / STEP_MM - 1e-6) * STEP_MM, 2)


def _step_down(mm: float) -> float:
    return round(math.floor(mm / STEP_MM + 1e-6) * STEP_MM, 2)
