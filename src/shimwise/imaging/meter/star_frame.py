"""One star in one frame: its centre by phase, the modulation of its rings, and the paper around its rim."""

# Compiled kernels carry no annotations: numba reads the types of their first call.
# ruff: noqa: ANN001, ANN202

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwise.arrays import FloatArray, Picture
from shimwise.imaging.chart.layout import Star
from shimwise.imaging.meter.ring_sums import cell_amplitudes
from shimwise.imaging.star.rings import SECTOR_ANGLES_RAD, STRETCHES, TANGENTS, RingPlan, plan_rings

PROFILE_FROM, PROFILE_TO, PROFILE_BINS = 0.88, 1.12, 24
"""Radii by the star's between which the rim's profile is taken, and its bins: .01 of the radius each."""
END_BINS = 6
"""Bins at either end of the profile that blur at the rim does not reach: the star's mean, and the paper."""
LEVEL_SHARE = 0.7
"""The star's mean beside the paper is that of rings whose radius is at least this share of the outermost's:
the more rings, the more of light that is not even; fewer leave more of how pixels lie on spokes."""
SETTLED_PX, MOST_SUMS = 0.12, 4
"""The rings are moved until the step is below this, and summed so many times at most."""
QUARTERS_DEG: FloatArray = np.array([0.0, 45.0, 90.0, 135.0])
QUARTER_SHARE = 2.0 * np.sqrt(2.0) / np.pi
"""Mean of cos 2θ over a quarter, ±22.5°."""
_QUARTERS: FloatArray = (
    np.abs(np.cos(SECTOR_ANGLES_RAD - np.radians(QUARTERS_DEG)[:, None])) > np.cos(np.radians(22.5))
).astype(np.float64)
_TINY = 1e-12
RIM_REACHES, LEAST_RISE = (1.4, 2.4), 1.15
"""How far out the rim is looked for, by the rough radius, and the least that paper is brighter; chosen."""
RIM_SHARE = 0.2
"""Share of the rise to the brightest at which the rim begins; chosen."""
INNER_REACH, PAPER_SHARE = 0.7, 0.1
"""The rim is looked for from this share of a rough radius on; the paper is so much of it beyond. Chosen."""


@dataclass(frozen=True, slots=True)
class StarPlace:
    """Where a star is in the picture: centre (x, y) and radius [px], its spokes' phase [rad], its stretch.

    ``stretch``: coefficients of sin 2θ and cos 2θ in the spokes' angle, of a chart seen at a slant [rad].
    """

    centre_px: tuple[float, float]
    radius_px: float
    phase_rad: float = 0.0
    stretch: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class RingCells:
    """Complex amplitude and mean of every cell in the picture's units, and its pixels, (rings, 16)."""

    amplitude: NDArray[np.complex128]
    mean: FloatArray
    pixels: FloatArray


@dataclass(frozen=True, slots=True)
class StarFrame:
    """What one frame shows of one star.

    Attributes
    ----------
    place : StarPlace
        Where it is.
    modulation, variance : ndarray
        Signed modulation of each ring by the paper less the star's mean, and its variance by the paper's
        noise between neighbouring pixels, (rings,).
    quarters : ndarray
        Modulation of the sectors within 22.5° of spokes at 0, 45, 90 and 135° (x right, y down): the first
        show vertical detail, the third horizontal, (4, rings).
    coherence : float
        Share of the modulation that is in phase, 0 to 1.
    paper, inside : float
        Mean of the paper around the rim and of the star within it, linear.
    profile : ndarray
        Mean by radius from .88 to 1.12 of the star's: 0 inside, 1 on paper.
    clipped_share : float
        Share of the rim's and paper's pixels that are clipped.
    """

    place: StarPlace
    modulation: FloatArray
    variance: FloatArray
    quarters: FloatArray
    coherence: float
    paper: float
    inside: float
    profile: FloatArray
    clipped_share: float

    @property
    def rim_px(self) -> float:
        """Radius of the disc that is as dark in all as the star: what blur at its rim leaves alone. [px]"""
        radii = np.linspace(PROFILE_FROM, PROFILE_TO, PROFILE_BINS + 1)
        dark = PROFILE_FROM**2 + float((1.0 - self.profile) @ np.diff(radii**2))
        return self.place.radius_px * float(np.sqrt(max(dark, 0.0)))


def pixel_plan(spokes: int, radius_px: float, *, pitch_um: float, blur_px: float) -> RingPlan:
    """Return rings fixed in pixels: a spoke star is alike at all sizes, so that its growth changes nothing.

    Raises
    ------
    StarTooSmallError
        When too few pixels of the star lie between the limits of frequency.
    """
    star = Star(id="S", centre_mm=(0.0, 0.0), radius_mm=radius_px, spokes=spokes)
    return plan_rings(star, px_per_mm=1.0, pitch_um=pitch_um, blur_px=blur_px)


def ring_cells(picture: Picture, place: StarPlace, plan: RingPlan) -> RingCells:
    """Return the cells of a star at a place in a linear picture, float32."""
    return RingCells(*cell_amplitudes(picture, place.centre_px, plan))


def measure_frame(picture: Picture, place: StarPlace, plan: RingPlan, *, white: float) -> StarFrame:
    """Measure a star whose place is known to within a third of a spoke.

    Parameters
    ----------
    picture : ndarray
        Linear picture, float32, (rows, columns).
    place : StarPlace
        Where the star was in the frame before, or where the lock found it.
    plan : RingPlan
        Rings in pixels.
    white : float
        Value from which a pixel counts as clipped.
    """
    cells = ring_cells(picture, place, plan)
    for _ in range(MOST_SUMS - 1):
        moved, step = refined(cells, place, plan)
        if step < SETTLED_PX:
            break
        place = replace(moved, phase_rad=place.phase_rad)
        cells = ring_cells(picture, place, plan)
    else:
        moved, _ = refined(cells, place, plan)
    # The last step is taken out of the phases alone.
    left = (moved.centre_px[0] - place.centre_px[0], moved.centre_px[1] - place.centre_px[1])
    turned = turned_cells(cells, moved, plan, left)
    pixels = np.maximum(cells.pixels.sum(axis=1), 1.0)
    weight = cells.pixels / pixels[:, None]
    sums, counts, clipped, noise = _profile(
        picture,
        *moved.centre_px,
        PROFILE_FROM * moved.radius_px,
        PROFILE_TO * moved.radius_px,
        PROFILE_BINS,
        white,
    )
    level = sums / np.maximum(counts, 1.0)
    inside, paper = float(np.mean(level[:END_BINS])), float(np.mean(level[-END_BINS:]))
    # The star's mean is that of whole spokes: that of the profile's pixels changes with how they lie on them.
    near = cells.pixels * (plan.radii_mm > LEVEL_SHARE * plan.radii_mm[0])[:, None]
    star = float(np.sum(near * cells.mean) / max(float(near.sum()), _TINY))
    span = max(paper - star, _TINY)
    return StarFrame(
        place=moved,
        modulation=np.sum(weight * turned.real, axis=1) / span,
        variance=2.0 * noise / span**2 / pixels,
        quarters=(_QUARTERS @ (weight * turned.real).T) / np.maximum(_QUARTERS @ weight.T, _TINY) / span,
        coherence=coherence(turned, cells.pixels),
        paper=paper,
        inside=inside,
        profile=(level - inside) / max(paper - inside, _TINY),
        clipped_share=float(clipped / max(counts.sum(), 1.0)),
    )


def refined(
    cells: RingCells, place: StarPlace, plan: RingPlan, *, has_stretch: bool = False, rounds: int = 2
) -> tuple[StarPlace, float]:
    """Return the place that the cells' phases show, and the step to it [px].

    Least squares on the phases, each cell by the size of its ring, signed: beyond a contrast reversal the
    phase is turned over. Phase, x and y are free, and the stretch on request.
    """
    count = 5 if has_stretch else 3
    design = np.empty((count, *cells.amplitude.shape))
    design[0] = 1.0
    design[1:3] = plan.spokes * TANGENTS[:, None, :] / plan.radii_mm[:, None]
    design[3:] = plan.spokes * STRETCHES[: count - 3, None, :]
    change, start = np.zeros(count), turned_cells(cells, place, plan)
    for _ in range(rounds):
        change = change + np.linalg.solve(*_phase_sums(start, cells.pixels, design, change))
    stretch = (place.stretch[0] + change[3], place.stretch[1] + change[4]) if has_stretch else place.stretch
    x, y = place.centre_px
    moved = StarPlace(
        (x + float(change[1]), y + float(change[2])),
        place.radius_px,
        place.phase_rad + float(change[0]),
        (float(stretch[0]), float(stretch[1])),
    )
    return moved, float(np.hypot(change[1], change[2]))


def coherence(turned: NDArray[np.complex128], pixels: FloatArray) -> float:
    """Return the share of the modulation that is in phase, each ring by its own size, 0 to 1."""
    size = np.sum(pixels * turned.real, axis=1, keepdims=True) / np.maximum(
        pixels.sum(axis=1, keepdims=True), 1.0
    )
    agreed = float(np.sum(pixels * size * turned.real))
    return agreed / max(float(np.sum(pixels * np.abs(size) * np.abs(turned))), _TINY)


def turned_cells(
    cells: RingCells, place: StarPlace, plan: RingPlan, off_px: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.complex128]:
    """Return the cells' amplitudes, turned so that a star at the place is real and positive.

    ``off_px``: how far from the cells' own centre the star's is, by which their phases turn.
    """
    turn = place.phase_rad + plan.spokes * (np.asarray(place.stretch) @ STRETCHES)
    phase = turn + plan.spokes * (np.asarray(off_px) @ TANGENTS) / plan.radii_mm[:, None]
    return np.asarray(cells.amplitude * np.exp(-1j * phase))


def rim_radius(picture: Picture, place: StarPlace) -> float | None:
    """Return the radius at which the mean over a turn is half-way from the star's to the paper's [px].

    From .7 of a rough radius, from inside outwards, to 1.4 of it, and farther where there is none: rings of
    spokes that blur has turned over look like a smaller disc. None where no rim is seen.
    """
    for reach in RIM_REACHES:
        found = _rim_within(picture, place, INNER_REACH * place.radius_px, reach * place.radius_px)
        if found is not None:
            return found
    return None


def _rim_within(picture: Picture, place: StarPlace, inner: float, outer: float) -> float | None:
    bins = max(int(outer - inner), 8)
    sums, counts, _, _ = _profile(picture, *place.centre_px, inner, outer, bins, np.inf)
    level = sums[counts > 0] / counts[counts > 0]
    radii = inner + (outer - inner) * (np.flatnonzero(counts > 0) + 0.5) / bins
    inside = float(np.median(level[: max(bins // 8, 2)]))
    rise = level - inside - RIM_SHARE * (float(level.max()) - inside)
    above = np.flatnonzero(rise > 0)
    if above.size == 0 or above[0] == 0 or float(level.max()) < LEAST_RISE * inside:
        return None
    k = int(above[0])
    # The paper is what follows within a tenth of the radius: beyond it there may be other print.
    paper = float(np.max(level[k : k + max(int(PAPER_SHARE * place.radius_px), 2)]))
    half = inside + 0.5 * (paper - inside)
    after = k + int(np.argmax(level[k:] >= half))
    low, high = level[after - 1], level[after]
    return float(radii[after - 1] + (radii[after] - radii[after - 1]) * (half - low) / max(high - low, _TINY))


@njit(cache=True)
def _phase_sums(turned, pixels, design, change):  # type: ignore[no-untyped-def]
    """Normal equations of the cells' phases, turned on by what has been found so far."""
    count, rings, sectors = design.shape
    gram, pull = np.zeros((count, count)), np.zeros(count)
    real, imaginary = np.empty(sectors), np.empty(sectors)
    for ring in range(rings):
        total, size = 0.0, 0.0
        for k in range(sectors):
            phase = 0.0
            for i in range(count):
                phase += change[i] * design[i, ring, k]
            one = turned[ring, k] * complex(np.cos(phase), -np.sin(phase))
            real[k], imaginary[k] = one.real, one.imag
            total += pixels[ring, k]
            size += pixels[ring, k] * one.real
        size /= max(total, 1.0)
        for k in range(sectors):
            for i in range(count):
                own = pixels[ring, k] * size * design[i, ring, k]
                pull[i] += own * imaginary[k]
                for j in range(count):
                    gram[i, j] += own * size * design[j, ring, k]
    for i in range(count):
        gram[i, i] = gram[i, i] * (1.0 + 1e-9) + 1e-12
    return gram, pull


@njit(cache=True, fastmath={"contract", "arcp", "reassoc", "nsz"})
def _profile(picture, x0, y0, inner, outer, bins, white):  # type: ignore[no-untyped-def]
    """Sums and counts of the pixels by radius, those clipped, and the noise's variance on paper."""
    sums, counts, clipped = np.zeros(bins), np.zeros(bins), 0
    per_px = bins / (outer - inner)
    squares, pairs = 0.0, 0
    for row in range(max(int(y0 - outer), 0), min(int(y0 + outer) + 2, picture.shape[0])):
        dy = row - y0
        if abs(dy) >= outer:
            continue
        half = np.sqrt(outer * outer - dy * dy)
        hole = np.sqrt(inner * inner - dy * dy) if abs(dy) < inner else 0.0
        for side in range(2):
            first = x0 - half if side == 0 else x0 + hole
            last = x0 - hole if side == 0 else x0 + half
            before = np.float32(np.nan)
            for column in range(max(int(np.ceil(first)), 0), min(int(np.ceil(last)), picture.shape[1])):
                radius = np.sqrt(dy * dy + (column - x0) ** 2)
                k = min(max(int((radius - inner) * per_px), 0), bins - 1)
                value = picture[row, column]
                sums[k] += value
                counts[k] += 1.0
                if value >= white:
                    clipped += 1
                if k >= bins - END_BINS:
                    change = value - before
                    if not np.isnan(change):
                        squares += change * change
                        pairs += 1
                    before = value
                else:
                    before = np.float32(np.nan)
    return sums, counts, clipped, squares / max(2 * pairs, 1)
