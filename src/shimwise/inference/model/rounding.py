"""Granularity of readings: how coarsely a ring was read, and the interval that each reading means.

A person who writes 6′ 0″ saw something near 6′; how near follows from that person's other readings
around that distance: the largest step of the trade of which nearly all are multiples, or the engraved
marks where only few values occur. A lens's marks, where they are known, are used as they are.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.model.observations import Observation
from shimwise.inference.model.prep import MeasuredLanding, Reading

INCH_MM, FOOT_MM = 25.4, 304.8
IMPERIAL_STEPS_MM = tuple(INCH_MM * x for x in (0.125, 0.25, 0.5, 1, 2, 3, 6, 12, 24, 60, 120))
METRIC_STEPS_MM = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
STEPS_MM = np.array(IMPERIAL_STEPS_MM + METRIC_STEPS_MM)
"""Steps in which a ring is read, one eighth of an inch to ten feet, and in millimetres to a metre."""
BESIDE = 2
"""Marks on either side that a reading's cell may depend on."""
WINDOW = 0.3
"""Granularity is inferred from the readings within this share of a reading."""
MULTIPLES = 0.9
"""A step holds when this share of the readings are its multiples."""
FEWEST_FOR_MARKS = 12
"""From this many readings on, few distinct values mean that marks were read."""
FEWEST_FOR_COARSE = 5
"""Readings with fewer distinct values than this are not taken as coarser than the usual step."""
USUAL_STEPS_MM = ((4.5 * FOOT_MM, 0.5 * INCH_MM), (9 * FOOT_MM, INCH_MM), (20 * FOOT_MM, 3 * INCH_MM))
FARTHEST_USUAL_STEP_MM = FOOT_MM
"""Usual rounding up to 4½, 9 and 20 ft, and beyond. Common practice, no source."""
NEAREST_INFINITY_MM, FARTHEST_INFINITY_MM = 20 * FOOT_MM, 60 * FOOT_MM
"""Where INF begins if the marks are not known [mm]: beyond 20 ft (half-way, in extension, from a last mark at
10 ft) for a person who reads to marks or of whom nothing finite is known, beyond 60 ft for one who reads
finely. Common practice, no source."""
MOST_OF_RECORD = 400
"""So many of a person's values around a distance show how they round there."""
SAME = 1e-6
PARTS_OF_MARKS = (1, 2, 4, 8)
"""Marks are read to whole ones, halves, quarters or eighths of the way between them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Granularity:
    """How coarsely one person reads near one distance: ``step_mm``, or by marks; for a notice."""

    person: str
    near_mm: float
    step_mm: float
    by_marks: bool


def landing_intervals(
    readings: Sequence[Reading | MeasuredLanding],
    observations: Sequence[Observation],
    *,
    marks_mm: Mapping[str, Sequence[float]],
    cell_mm_of_row: Mapping[int, tuple[float, float]],
) -> tuple[FloatArray, FloatArray, tuple[Granularity, ...]]:
    """Interval of every reading's landing, and the granularities that were inferred.

    Parameters
    ----------
    readings, observations : sequences of equal length n
        A measured landing (no eye) gets a narrow interval around it.
    marks_mm : mapping of lens to engraved distances
        Infinity may be among them.
    cell_mm_of_row : mapping of row to (nearest, farthest) distance
        Goes before anything inferred.

    Returns
    -------
    low_um, high_um : array, shape (n,)
        Short < 0 < deep; high infinite if the ring was at INF.
    granularities : tuple of Granularity
        One per person and usual distance, where the step was inferred from readings.
    """
    by_person: dict[str, list[float]] = defaultdict(list)
    for reading in readings:
        if isinstance(reading, Reading):
            by_person[reading.operator].append(reading.reading_mm)
    values = {person: np.array(sorted(found)) for person, found in by_person.items()}
    parts = _parts_of_marks(readings, marks_mm)
    low, high = np.empty(len(readings)), np.empty(len(readings))
    seen: dict[tuple[str, float], Granularity] = {}
    cells: dict[tuple[str, str, float], tuple[float, float]] = {}
    for i, (reading, observation) in enumerate(zip(readings, observations, strict=True)):
        if isinstance(reading, MeasuredLanding):
            half = MEASURED_HALF_WIDTH * reading.sd_um
            low[i], high[i] = reading.landing_um - half, reading.landing_um + half
            continue
        if reading.row in cell_mm_of_row:
            low[i], high[i] = _landing_bounds(observation, *cell_mm_of_row[reading.row])
            continue
        key = (reading.operator, reading.lens if reading.lens in marks_mm else "", reading.reading_mm)
        if key not in cells:
            marks = marks_mm.get(reading.lens, ())
            if marks:
                cells[key] = cell_between_marks(reading.reading_mm, marks, *parts[reading.operator])
            else:
                found = _granularity(reading.operator, reading.reading_mm, values[reading.operator])
                cells[key] = _cell(reading.reading_mm, found, values[reading.operator])
                seen[found.person, found.near_mm] = found
        low[i], high[i] = _landing_bounds(observation, *cells[key])
    return low, high, tuple(seen[key] for key in sorted(seen))


MEASURED_HALF_WIDTH = 0.05
"""Half width of the interval of a landing that frames measured, in its sd: as good as a point."""


def _landing_bounds(observation: Observation, nearest_mm: float, farthest_mm: float) -> tuple[float, float]:
    """Landings [µm] of a ring set between two distances; unbounded above when it may be at INF."""
    closest_mm = (4 * observation.focal_mm + observation.separation_mm) * (1 + SAME)
    nearest_mm = max(nearest_mm, closest_mm)
    low = observation.landing_um(nearest_mm)
    return low, math.inf if math.isinf(farthest_mm) else observation.landing_um(max(farthest_mm, nearest_mm))


def _granularity(person: str, reading_mm: float, values: FloatArray) -> Granularity:
    """Step or marks by which a person read near a value; ``values`` are all of that person's, sorted."""
    if math.isinf(reading_mm):
        return Granularity(person=person, near_mm=math.inf, step_mm=math.inf, by_marks=True)
    near = _evenly(_near(values[np.isfinite(values)], reading_mm), MOST_OF_RECORD)
    distinct = np.unique(near)
    near_mm = float(np.median(near)) if len(near) else reading_mm
    step_mm = _largest_step_mm(near)
    if len(near) >= FEWEST_FOR_MARKS and len(distinct) <= max(3, len(near) / 6):
        return Granularity(person=person, near_mm=near_mm, step_mm=step_mm, by_marks=True)
    if len(distinct) < FEWEST_FOR_COARSE:
        step_mm = min(step_mm, usual_step_mm(reading_mm))
    return Granularity(person=person, near_mm=near_mm, step_mm=step_mm, by_marks=False)


def _near(values: FloatArray, reading_mm: float) -> FloatArray:
    """Values within the window around a reading; at least as many as are needed to recognise marks."""
    off = np.abs(np.log(values / reading_mm))
    count = max(int(np.sum(np.abs(values / reading_mm - 1) <= WINDOW)), min(FEWEST_FOR_MARKS, len(values)))
    return np.asarray(values[np.argsort(off, kind="stable")[:count]])


def _largest_step_mm(values: FloatArray) -> float:
    """Largest step of either scale of which nearly all values are multiples; the finest when none is."""
    ratio = values[:, None] / STEPS_MM
    is_multiple = np.abs(ratio - np.round(ratio)) < SAME * np.maximum(1.0, np.abs(ratio))
    found = STEPS_MM[np.sum(is_multiple, axis=0) / max(1, len(values)) >= MULTIPLES]
    return float(found.max()) if found.size else METRIC_STEPS_MM[0]


def usual_step_mm(reading_mm: float) -> float:
    """Step in which a ring is usually read near a distance. [mm]"""
    return next((step for upto, step in USUAL_STEPS_MM if reading_mm < upto), FARTHEST_USUAL_STEP_MM)


def infinity_from_mm(person: str, values: FloatArray) -> float:
    """Distance [mm] from which on a person writes INF if the marks are unknown.

    Half-way between the farthest value of the person's that is not INF and infinity if only marks are read;
    half a step of the person's beyond infinity otherwise.
    """
    finite = values[np.isfinite(values)]
    if not len(finite):
        return NEAREST_INFINITY_MM
    farthest_mm = float(finite[-1])
    found = _granularity(person, farthest_mm, finite)
    if found.by_marks or len(np.unique(finite)) < FEWEST_FOR_COARSE:
        begin_mm = 2 * farthest_mm
    else:
        nearest_mm, _ = _cell(farthest_mm, found, finite)
        begin_mm = 1 / (1 / nearest_mm - 1 / farthest_mm)
    return min(max(begin_mm, NEAREST_INFINITY_MM), FARTHEST_INFINITY_MM)


def cells_of_record(person: str, values_mm: FloatArray) -> dict[float, tuple[float, float]]:
    """Return the nearest and farthest distance that each value of a person means, from all of a record. [mm]

    Parameters
    ----------
    person : str
        Who read.
    values_mm : array, shape (n,)
        Everything that the person wrote, infinity among it.
    """
    ordered = np.sort(values_mm)
    finite = ordered[np.isfinite(ordered)]
    thinned = _evenly(ordered, MOST_OF_RECORD)
    cells: dict[float, tuple[float, float]] = {}
    for value in np.unique(ordered).tolist():
        if math.isinf(value):
            cells[value] = infinity_from_mm(person, thinned), math.inf
            continue
        ends = np.searchsorted(finite, [value * (1 - WINDOW), value * (1 + WINDOW)])
        window = finite[ends[0] : ends[1]]
        near = thinned if len(window) < FEWEST_FOR_MARKS else _evenly(window, MOST_OF_RECORD)
        found = _granularity(person, value, near)
        cells[value] = _cell(value, found, np.unique(window))
    return cells


def _evenly(values: FloatArray, most: int) -> FloatArray:
    """Return at most so many of ordered values, evenly chosen."""
    if len(values) <= most:
        return values
    return np.asarray(values[np.linspace(0, len(values) - 1, most).astype(np.intp)])


def _cell(reading_mm: float, found: Granularity, values: FloatArray) -> tuple[float, float]:
    """Nearest and farthest distance [mm] that would have been written as this reading."""
    if math.isinf(reading_mm):
        return infinity_from_mm(found.person, values), math.inf
    if found.by_marks:
        marks = np.unique(values)
        at = int(np.searchsorted(marks, reading_mm))
        return cell_between_marks(reading_mm, marks[max(at - BESIDE, 0) : at + BESIDE + 1].tolist(), 1)
    half = found.step_mm / 2
    return max(reading_mm - half, reading_mm / 2), reading_mm + half


def cell_between_marks(
    reading_mm: float,
    marks_mm: Sequence[float],
    parts: int,
    is_by_turn: bool = False,
) -> tuple[float, float]:
    """Distances [mm] half-way to the neighbouring marks, or to the neighbouring parts of them, in extension.

    Extension goes as 1/distance closely enough for half-way points. Beyond the last mark on a side the other
    side's width is taken; a reading between two marks lies in a cell of the parts. Where a person writes
    parts of the way in distance (``is_by_turn``), they saw parts of the ring's turn, as nothing is engraved
    there: 2′ 9″, half-way from 2½ to 3 ft, is then 2′ 8¾″.
    """
    inverse = sorted({0.0 if math.isinf(one) else 1 / one for one in marks_mm})
    here = 0.0 if math.isinf(reading_mm) else 1 / reading_mm
    tolerance = SAME * max(here, 1e-6)
    below = max((one for one in inverse if one < here - tolerance), default=None)
    above = min((one for one in inverse if one > here + tolerance), default=None)
    on_mark = any(abs(one - here) <= tolerance for one in inverse)
    if not on_mark and below is not None and above is not None:
        gap = (above - below) / parts
        if is_by_turn and below:
            here = above - (above - below) * (1 / here - 1 / above) / (1 / below - 1 / above)
        return 1 / (here + gap / 2), _inverse_to_mm(here - gap / 2)
    down = None if below is None else (here - below) / parts
    up = None if above is None else (above - here) / parts
    if down is None and up is None:
        half = 0.5 / reading_mm * usual_step_mm(reading_mm) / reading_mm if here else 1 / FARTHEST_INFINITY_MM
        down = up = 2 * half
    down, up = (up if down is None else down), (down if up is None else up)
    nearest = here + (up or 0.0) / 2
    farthest = 0.0 if here == 0.0 else here - (down or 0.0) / 2
    return 1 / nearest, _inverse_to_mm(farthest)


def _inverse_to_mm(inverse: float) -> float:
    return 1 / inverse if inverse > 0 else math.inf


def _parts_of_marks(
    readings: Sequence[Reading | MeasuredLanding], marks_mm: Mapping[str, Sequence[float]]
) -> dict[str, tuple[int, bool]]:
    """Parts into which each person divides the gap between two marks: the fewest that most readings fit.

    And whether they fit as parts of the way in distance.
    """
    places: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for reading in readings:
        marks = marks_mm.get(reading.lens, ())
        if marks and isinstance(reading, Reading):
            places[reading.operator].append(_place(reading.reading_mm, marks))
    return {person: _fewest_parts(np.array(found)) for person, found in places.items()}


def _place(reading_mm: float, marks_mm: Sequence[float]) -> tuple[float, float]:
    """Fraction of the gap between marks where a reading lies, in extension and in distance; 0 on a mark."""
    finite = sorted(one for one in marks_mm if math.isfinite(one))
    if math.isinf(reading_mm) or any(abs(reading_mm / one - 1) < SAME for one in finite):
        return 0.0, 0.0
    below = max((one for one in finite if one < reading_mm), default=None)
    above = min((one for one in finite if one > reading_mm), default=None)
    if below is None:
        return 0.0, 0.0
    if above is None:
        return 1 - below / reading_mm, 0.5
    in_distance = (reading_mm - below) / (above - below)
    in_extension = (1 / below - 1 / reading_mm) / (1 / below - 1 / above)
    return in_extension, in_distance


def _fewest_parts(places: FloatArray) -> tuple[int, bool]:
    for parts in PARTS_OF_MARKS:
        fits = np.abs(places * parts - np.round(places * parts)) < 0.02 * parts
        if np.mean(fits.any(axis=1)) >= MULTIPLES:
            return parts, bool(np.mean(fits[:, 1]) >= MULTIPLES)
    return PARTS_OF_MARKS[-1], False
