"""A star found in one frame: discs of even grey, then the phases of their spokes, coarse ones first."""

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from shimwise.arrays import Picture
from shimwise.imaging.meter.star_frame import (
    SETTLED_PX,
    RingCells,
    StarPlace,
    coherence,
    pixel_plan,
    refined,
    rim_radius,
    ring_cells,
    turned_cells,
)
from shimwise.imaging.star.cells import Cells
from shimwise.imaging.star.rings import RingPlan, StarTooSmallError
from shimwise.imaging.star.star_phase import find_centre

SHARES = (0.25, 0.5, 1.0)
"""Share of the rings, coarse ones first, by which the star is found: coarse spokes reach farther."""
REACH_SPOKES, MOST_MOVES = 1.2, 6
LEAST_COHERENCE = 0.8
LEAST_RADIUS_PX = 45.0
"""Radius below which a star is refused: at 58 px figures are as good as at 150, at 39 twice as wide."""
SEARCH_SIDE_PX, LEVELS = 360, 9
"""Longer side of the picture in which discs are searched, and how many levels are tried; chosen."""
LEAST_ROUND, LEAST_SHARE = 0.97, 0.06
"""Area by that of a disc with the same spread, from which a patch is round (a square has .955), and least
diameter by the picture's shorter side; chosen."""
MOST_DISCS = 6
WITHIN_RIM = 0.92
"""Share of a rough radius within which spokes are looked for; chosen."""
SAME_SHARE = 0.2
"""Patches nearer than this share of a radius are one; chosen."""


def find_star(
    picture: Picture, spokes: int, *, pitch_um: float, near: StarPlace | None = None
) -> StarPlace | None:
    """Return the place of the star with so many spokes that is nearest to the picture's middle, or None.

    Parameters
    ----------
    picture : ndarray
        Linear picture, float32, (rows, columns).
    spokes : int
        Count of dark spokes.
    pitch_um : float
        Pixel pitch, µm.
    near : StarPlace, optional
        Where it was pointed at or seen last: within 11 px and 8 % of the radius; tried first.
    """
    starts = [] if near is None else [near]
    for place in [*starts, *discs(picture)]:
        found = lock(picture, place, spokes, pitch_um=pitch_um)
        if found is not None:
            return found
    return None


def lock(picture: Picture, place: StarPlace, spokes: int, *, pitch_um: float) -> StarPlace | None:
    """Return the star's exact place from a rough one, or None where its spokes are not seen there."""
    if place.radius_px < LEAST_RADIUS_PX:
        return None
    try:
        plan = pixel_plan(spokes, WITHIN_RIM * place.radius_px, pitch_um=pitch_um, blur_px=0.0)
    except StarTooSmallError:
        return None
    for share in SHARES:
        count = max(2, round(share * plan.count))
        part = RingPlan(plan.spokes, plan.edges_cy_mm[: count + 1], plan.magnification)
        for move in range(MOST_MOVES):
            cells = ring_cells(picture, place, part)
            if share == SHARES[0]:
                place, step = _searched(cells, place, part)
            else:
                place, step = refined(cells, place, part, has_stretch=move > 0)
            if step < SETTLED_PX:
                break
    cells = ring_cells(picture, place, plan)
    place, _ = refined(cells, place, plan, has_stretch=True, rounds=4)
    if coherence(turned_cells(cells, place, plan), cells.pixels) < LEAST_COHERENCE:
        return None
    radius_px = rim_radius(picture, place)
    return None if radius_px is None else replace(place, radius_px=radius_px)


def discs(picture: Picture, *, most: int = MOST_DISCS) -> list[StarPlace]:
    """Return patches of the picture that are round and darker than their surroundings, middle first.

    Blurred until its spokes are gone, a star is an even grey disc on paper, at any focus.
    """
    rows, columns = picture.shape
    shrink = max(1.0, max(rows, columns) / SEARCH_SIDE_PX)
    small = cv2.resize(picture, (round(columns / shrink), round(rows / shrink)), interpolation=cv2.INTER_AREA)
    found: list[StarPlace] = []
    for blur in (6.0 / shrink, 12.0 / shrink):
        smooth = cv2.GaussianBlur(small, (0, 0), max(blur, 0.8))
        low, high = np.percentile(smooth, (2, 98))
        for level in low + (high - low) * (np.arange(LEVELS) + 1.0) / (LEVELS + 1.0):
            _add_round(found, (smooth < level).astype(np.uint8), shrink)
    middle = ((columns - 1) / 2.0, (rows - 1) / 2.0)
    found.sort(key=lambda place: math.dist(place.centre_px, middle))
    return found[:most]


def _add_round(found: list[StarPlace], mask: NDArray[np.uint8], shrink: float) -> None:
    """Add the round patches of a mask that are not yet among those found."""
    shorter = min(mask.shape)
    for contour in cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
        moments = cv2.moments(contour)
        area, spread = moments["m00"], moments["mu20"] + moments["mu02"]
        radius = math.sqrt(area / math.pi)
        if 2.0 * radius < LEAST_SHARE * shorter or area * area < LEAST_ROUND * 2.0 * math.pi * spread:
            continue
        x, y = moments["m10"] / area, moments["m01"] / area
        # Contours run through the outermost pixels' middles.
        place = StarPlace(((x + 0.5) * shrink - 0.5, (y + 0.5) * shrink - 0.5), (radius + 0.5) * shrink)
        if all(math.dist(place.centre_px, old.centre_px) > SAME_SHARE * old.radius_px for old in found):
            found.append(place)


def _searched(cells: RingCells, place: StarPlace, plan: RingPlan) -> tuple[StarPlace, float]:
    """Return the place at which the rings agree in phase, and the step to it [px]."""
    whole = Cells(
        modulation=cells.amplitude[None],
        mean=np.ones((1, *cells.pixels.shape)),
        pixels=cells.pixels[None],
        noise=np.zeros(1),
        lean=np.zeros((2, 3, 1, *cells.pixels.shape)),
    )
    step, _ = find_centre(whole, 0, plan, reach_spokes=REACH_SPOKES)
    x, y = place.centre_px
    place = replace(place, centre_px=(x + float(step[0]), y + float(step[1])))
    # The phase is that of the sum over the cells.
    off = turned_cells(cells, replace(place, phase_rad=0.0), plan, (float(step[0]), float(step[1])))
    phase = float(np.angle(np.sum(cells.pixels * off)))
    return replace(place, phase_rad=phase), float(np.hypot(*step))
