"""Simulated preps with known truth, written from the trade's side: it never calls the judge's model.

A person tapes charts, looks through each lens, and writes where the ring stands. Truths are drawn; the
picture is sharp where the lens's extension meets the sensor; the eye misses by k·N·c; the ring is read with
an error that grows as D² and rounded as a person rounds; some readings are off by one or two engraved marks.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwise.inference.model.prep import Reading

INCH_MM = 25.4
FOOT_MM = 304.8
COC_UM = 20.0
DISTANCES_MM = (914.4, 1828.8, 3657.6)
"""3, 6 and 12 ft."""
LARGEST_SEPARATION_MM = 20.0
"""Principal planes of the simulated lenses lie up to this far apart; the judge is not told."""
READING_SD_MM = 2.0
"""Error of reading the ring at 3 ft, growing as D², before rounding."""
BLUNDER_RATE = 0.07


@dataclass(frozen=True)
class Lens:
    """A lens of the simulated set: name, focal length and stop."""

    name: str
    focal_mm: float
    fnumber: float


SET = tuple(
    Lens(f"L{i + 1:02d}", focal_mm, fnumber)
    for i, (focal_mm, fnumber) in enumerate(((18, 2), (25, 2), (35, 2), (50, 2), (75, 2), (100, 2.8)))
)


@dataclass(frozen=True)
class Truth:
    """What is true of a simulated prep, by unit name."""

    body_um: Mapping[str, float]
    lens_um: Mapping[str, float]
    scale_permille: Mapping[str, float]
    setup_mm: Mapping[str, float]
    separation_mm: Mapping[str, float]
    k: float


@dataclass(frozen=True)
class Spread:
    """Standard deviations that truths are drawn with; ``within`` cuts each off at that value."""

    body_um: float = 15.0
    lens_um: float = 12.0
    scale_permille: float = 3.0
    setup_mm: float = 2.0
    is_within_tolerance: bool = False


HEALTHY = Spread(body_um=4.0, lens_um=5.0, scale_permille=1.6, setup_mm=1.5, is_within_tolerance=True)
"""A fine bench: everything within 10 µm, 5 ‰ and 5 mm."""


def setup_name(body: str, distance: int) -> str:
    """Name of the set-up of a body at the distance of that index."""
    return f"{body}-D{distance + 1}"


def draw_truth(
    rng: np.random.Generator,
    spread: Spread = Spread(),
    *,
    bodies: Sequence[str] = ("B1",),
    lenses: Sequence[Lens] = SET,
    distances_mm: Sequence[float] = DISTANCES_MM,
) -> Truth:
    """Truth of a prep with every error drawn from its own normal distribution."""

    def draw(sd: float, limit: float) -> float:
        value = rng.normal(0, sd)
        while spread.is_within_tolerance and abs(value) >= limit:
            value = rng.normal(0, sd)
        return float(value)

    names = [lens.name for lens in lenses]
    setups = [setup_name(body, d) for body in bodies for d in range(len(distances_mm))]
    return Truth(
        body_um={body: draw(spread.body_um, 10) for body in bodies},
        lens_um={name: draw(spread.lens_um, 10) for name in names},
        scale_permille={name: draw(spread.scale_permille, 5) for name in names},
        setup_mm={setup: draw(spread.setup_mm, 5) for setup in setups},
        separation_mm={name: float(rng.uniform(0, LARGEST_SEPARATION_MM)) for name in names},
        k=float(rng.uniform(0.1, 0.3)),
    )


FAULT_SIZES = {"body": (15.0, 60.0), "lens": (15.0, 60.0), "scale": (8.0, 25.0), "setup": (10.0, 40.0)}
"""Least and largest size of a single fault: µm, µm, ‰, mm."""


def draw_scene(rng: np.random.Generator, kind: str) -> tuple[Truth, str]:
    """A fine bench with one fault of a kind, and the faulty unit's name; kind "fine" has none."""
    truth = draw_truth(rng, HEALTHY)
    if kind == "fine":
        return truth, ""
    field = {"body": "body_um", "lens": "lens_um", "scale": "scale_permille", "setup": "setup_mm"}[kind]
    units = dict(getattr(truth, field))
    unit = str(rng.choice(list(units)))
    units[unit] = float(rng.choice([-1, 1]) * rng.uniform(*FAULT_SIZES[kind]))
    return replace(truth, **{field: units}), unit


def read_all(
    rng: np.random.Generator,
    truth: Truth,
    *,
    lenses: Sequence[Lens] = SET,
    distances_mm: Sequence[float] = DISTANCES_MM,
    repeats: int = 3,
    blunder_rate: float = BLUNDER_RATE,
) -> tuple[tuple[Reading, ...], frozenset[int]]:
    """Read every body with every lens at every distance; also which rows are blunders."""
    readings: list[Reading] = []
    blunders = set()
    for body in truth.body_um:
        for d, taped_mm in enumerate(distances_mm):
            for lens in (lens for lens in lenses for _ in range(repeats)):
                reading, is_blunder = read_once(
                    rng, truth, body, lens, taped_mm, setup_name(body, d), blunder_rate=blunder_rate
                )
                if is_blunder:
                    blunders.add(len(readings))
                readings.append(replace(reading, row=len(readings), line=len(readings) + 2))
    return tuple(readings), frozenset(blunders)


def read_once(
    rng: np.random.Generator,
    truth: Truth,
    body: str,
    lens: Lens,
    taped_mm: float,
    setup: str,
    *,
    blunder_rate: float = BLUNDER_RATE,
) -> tuple[Reading, bool]:
    """One reading by eye, and whether it is a blunder."""
    separation_mm = truth.separation_mm[lens.name]
    sharp_mm = extension_mm(lens.focal_mm, taped_mm + truth.setup_mm[setup], separation_mm)
    eye_um = rng.normal(0, truth.k * lens.fnumber * COC_UM)
    scale_um = truth.scale_permille[lens.name] * sharp_mm
    error_um = truth.body_um[body] + truth.lens_um[lens.name] + scale_um + eye_um
    ring_mm = distance_mm(lens.focal_mm, sharp_mm - 1e-3 * error_um, separation_mm)
    ring_mm += rng.normal(0, READING_SD_MM * (taped_mm / (3 * FOOT_MM)) ** 2)
    is_blunder = bool(rng.random() < blunder_rate)
    if is_blunder and math.isfinite(ring_mm):
        ring_mm += rng.choice([-2, -1, 1, 2]) * mark_spacing_mm(ring_mm)
    ring_mm = max(ring_mm, separation_mm + 4.5 * lens.focal_mm)
    reading = Reading(
        row=0,
        line=2,
        body=body,
        lens=lens.name,
        focal_mm=lens.focal_mm,
        fnumber=lens.fnumber,
        distance_mm=taped_mm,
        reading_mm=rounded_mm(ring_mm),
        operator="op",
        setup=setup,
    )
    return reading, is_blunder


def extension_mm(focal_mm: float, subject_mm: float, separation_mm: float) -> float:
    """Extension for a subject at a distance from the sensor, by Newton's form x x' = f². [mm]"""
    if math.isinf(subject_mm):
        return 0.0
    gap = subject_mm - separation_mm - 2 * focal_mm
    return (gap - math.sqrt(gap * gap - 4 * focal_mm * focal_mm)) / 2


def distance_mm(focal_mm: float, ring_extension_mm: float, separation_mm: float) -> float:
    """Distance that is sharp at an extension: the inverse of :func:`extension_mm`. [mm]"""
    if ring_extension_mm <= 0:
        return math.inf
    return separation_mm + 2 * focal_mm + ring_extension_mm + focal_mm * focal_mm / ring_extension_mm


def rounded_mm(ring_mm: float) -> float:
    """A reading as a person writes it: quarter inches near, inches to 9 ft, three beyond; ∞ past 100 ft."""
    if ring_mm > 100 * FOOT_MM:
        return math.inf
    step_mm = INCH_MM / 4 if ring_mm < 4.5 * FOOT_MM else INCH_MM if ring_mm < 9 * FOOT_MM else 3 * INCH_MM
    return round(ring_mm / step_mm) * step_mm


def mark_spacing_mm(ring_mm: float) -> float:
    """Spacing of engraved marks around a reading. [mm]"""
    return 3 * INCH_MM if ring_mm < 4.5 * FOOT_MM else 6 * INCH_MM if ring_mm < 9 * FOOT_MM else 2 * FOOT_MM
