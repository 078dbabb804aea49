"""Invented benches for the tests, and what is expected of them by roads of their own. No real data.

Optics by Newton's form x·x′ = f² (the code solves for the magnification instead).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from shimwise.inference.model.design import Built, build_mixture
from shimwise.inference.model.mixture import Column
from shimwise.inference.model.prep import (
    Axis,
    BodyKnowledge,
    FocusDesign,
    LensKnowledge,
    MeasuredLanding,
    Prep,
    Reading,
)
from shimwise.inference.model.priors import Effect
from shimwise.inference.verdict.answer import BodyAnswer, LensAnswer, Verdict

FloatArray = NDArray[np.float64]
FOOT_MM = 304.8
FAR_MM = math.inf


def extension_mm(focal_mm: float, distance_mm: float, separation_mm: float = 0.0) -> float:
    """Extension by Newton's form: from the foci x·x′ = f², and the sensor lies x′ beyond. [mm]"""
    if math.isinf(distance_mm):
        return 0.0
    gap = distance_mm - separation_mm - 2 * focal_mm
    return 2 * focal_mm**2 / (gap + math.sqrt(gap**2 - 4 * focal_mm**2))


def ring_mm(focal_mm: float, ring_extension_mm: float, separation_mm: float = 0.0) -> float:
    """Where a ring stands at an extension: the inverse of :func:`extension_mm`. [mm]"""
    if ring_extension_mm <= 0:
        return math.inf
    return separation_mm + 2 * focal_mm + ring_extension_mm + focal_mm**2 / ring_extension_mm


def reading(
    row: int = 0,
    *,
    body: str = "B1",
    lens: str = "L1",
    focal_mm: float = 50.0,
    fnumber: float = 2.0,
    distance_mm: float = 6 * FOOT_MM,
    landing_um: float = 0.0,
    separation_mm: float | None = 0.0,
    reading_mm: float | None = None,
    operator: str = "",
    setup: str = "",
    squeeze: float = 1.0,
    axis: Axis | None = None,
    focus_design: FocusDesign | None = None,
) -> Reading:
    """A reading with the landing that is asked for; the separation is told unless it is None."""
    if reading_mm is None:
        known_mm = separation_mm or 0.0
        extension = extension_mm(focal_mm, distance_mm, known_mm) - 1e-3 * landing_um
        reading_mm = ring_mm(focal_mm, extension, known_mm)
    return Reading(
        row=row,
        line=row + 2,
        body=body,
        lens=lens,
        focal_mm=focal_mm,
        fnumber=fnumber,
        distance_mm=distance_mm,
        reading_mm=reading_mm,
        separation_mm=separation_mm,
        operator=operator,
        setup=setup,
        squeeze=squeeze,
        axis=axis,
        focus_design=focus_design,
    )


def measured(landing_um: float, sd_um: float, *, distance_mm: float = 6 * FOOT_MM) -> MeasuredLanding:
    """A landing that frames measured, of the units of :func:`reading`, in the row after it."""
    return MeasuredLanding(
        row=1,
        line=3,
        body="B1",
        lens="L1",
        focal_mm=50.0,
        fnumber=2.0,
        distance_mm=distance_mm,
        landing_um=landing_um,
        sd_um=sd_um,
    )


SET_MM = {"L25": 25.0, "L50": 50.0, "L75": 75.0}


def bench(
    *,
    bodies_um: Mapping[str, float] = {"B1": 0.0},
    lenses_um: Mapping[str, float] | None = None,
    set_mm: Mapping[str, float] = SET_MM,
    distances_mm: Sequence[float] = (3 * FOOT_MM, 6 * FOOT_MM, 12 * FOOT_MM),
    tape_mm: Mapping[tuple[str, float], float] | None = None,
    repeats: int = 2,
    noise_um: float = 1.0,
    seed: int = 0,
) -> tuple[Reading, ...]:
    """Readings of every body with every lens at every distance, with small seeded errors of the eye."""
    rng = np.random.default_rng(seed)
    found: list[Reading] = []
    for body, body_um in bodies_um.items():
        for distance_mm in distances_mm:
            chart_mm = distance_mm + (tape_mm or {}).get((body, distance_mm), 0.0)
            for lens, focal_mm in set_mm.items():
                # where the chart really is, seen on the scale: deep when it is farther than taped
                tape_um = 1e3 * (extension_mm(focal_mm, distance_mm) - extension_mm(focal_mm, chart_mm))
                for _ in range(repeats):
                    landing_um = body_um + (lenses_um or {}).get(lens, 0.0) + tape_um
                    landing_um += noise_um * rng.standard_normal()
                    found.append(
                        reading(
                            len(found),
                            body=body,
                            lens=lens,
                            focal_mm=focal_mm,
                            distance_mm=distance_mm,
                            landing_um=landing_um,
                        )
                    )
    return tuple(found)


def prep(
    *readings: Reading,
    bodies: Mapping[str, BodyKnowledge] | None = None,
    lenses: Mapping[str, LensKnowledge] | None = None,
    tolerance_um: float = 10.0,
) -> Prep:
    """A prep of those readings."""
    return Prep(readings=tuple(readings), bodies=bodies or {}, lenses=lenses or {}, tolerance_um=tolerance_um)


def columns(built: Built) -> set[tuple[str, str]]:
    """Effect and name of every column."""
    return {(column.effect.value, column.name) for column in built.model.columns}


def coefficient(built: Built, row: int, effect: Effect, name: str) -> float:
    """Coefficient of an unknown in the row of a reading; 0 where the model has no such unknown."""
    wanted = Column(effect, name)
    if wanted not in built.model.columns:
        return 0.0
    rows = built.model.rows
    place = int(np.flatnonzero(rows.reading == row)[0])
    return float(rows.design[rows.pattern[place], built.model.columns.index(wanted)])


def by_reading(built: Built, values: FloatArray) -> FloatArray:
    """Values (n,) of the model's rows in the order of the prep's readings."""
    return np.asarray(values[np.argsort(built.model.rows.reading)])


def landings_um(built: Built) -> FloatArray:
    """Landing of each reading, in the prep's order."""
    return by_reading(built, built.model.rows.landing_um)


def model_of(
    *readings: Reading,
    bodies: Mapping[str, BodyKnowledge] | None = None,
    lenses: Mapping[str, LensKnowledge] | None = None,
) -> Built:
    """The model of those readings."""
    return build_mixture(prep(*readings, bodies=bodies, lenses=lenses))


def body_answer(
    name: str = "B1",
    *,
    error_um: float = 0.0,
    sd_um: float = 3.0,
    verdict: Verdict = Verdict.IN_TOLERANCE,
    tolerance_um: float = 10.0,
) -> BodyAnswer:
    """An invented answer on a body."""
    return BodyAnswer(
        name=name,
        error_um=error_um,
        sd_um=sd_um,
        low_um=error_um - 2 * sd_um,
        high_um=error_um + 2 * sd_um,
        p_out=0.5,
        verdict=verdict,
        tolerance_um=tolerance_um,
    )


def lens_answer(
    name: str = "L1",
    *,
    error_um: float = 0.0,
    sd_um: float = 3.0,
    verdict: Verdict = Verdict.IN_TOLERANCE,
) -> LensAnswer:
    """An invented answer on a lens."""
    body = body_answer(name, error_um=error_um, sd_um=sd_um, verdict=verdict)
    return LensAnswer(
        **{field.name: getattr(body, field.name) for field in fields(body)},
        scale_permille=0.0,
        scale_sd_permille=2.0,
        p_scale_out=0.01,
    )
