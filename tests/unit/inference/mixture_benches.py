"""Benches that the tests of the mixture model share: invented ones, and the stored reference benches."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from shimwise.inference.model.bench import BenchFacts
from shimwise.inference.model.joint_memory import History
from shimwise.inference.model.prep import (
    BodyKnowledge,
    LensKnowledge,
    MeasuredLanding,
    Prep,
    Reading,
)

REFERENCE = Path(__file__).parents[2] / "reference" / "mixture"
FOOT_MM = 304.8
FOCAL_MM = {"L18": 18.0, "L25": 25.0, "L35": 35.0, "L50": 50.0, "L75": 75.0}


def ring_mm(focal_mm: float, distance_mm: float, landing_um: float) -> float:
    """Return the ring's distance for a landing, by Newton's x x' = f² between planes a distance apart."""
    gap = distance_mm - 2 * focal_mm
    extension = (gap - math.sqrt(gap * gap - 4 * focal_mm**2)) / 2 - 1e-3 * landing_um
    return math.inf if extension <= 0 else 2 * focal_mm + extension + focal_mm**2 / extension


def prep_of(
    bodies_um: Mapping[str, float],
    lenses_um: Mapping[str, float],
    *,
    feet: Sequence[float] = (3, 6, 12),
    repeats: int = 3,
    step_mm: float = 6.35,
    infinity_from_feet: float = 1e9,
    k: float = 0.15,
    seed: int = 0,
    bodies: Mapping[str, BodyKnowledge] | None = None,
    lenses: Mapping[str, LensKnowledge] | None = None,
    history: History | None = None,
) -> Prep:
    """Every body read with every lens at every distance, f/2, written in steps."""
    rng = np.random.default_rng(seed)
    readings: list[Reading] = []
    for body, body_um in bodies_um.items():
        for place, distance in enumerate(feet):
            for lens, lens_um in lenses_um.items():
                for _ in range(repeats):
                    landing_um = body_um + lens_um + rng.normal(0, k * 40)
                    ring = ring_mm(FOCAL_MM[lens], distance * FOOT_MM, landing_um)
                    ring = (
                        math.inf if ring > infinity_from_feet * FOOT_MM else round(ring / step_mm) * step_mm
                    )
                    readings.append(
                        Reading(
                            row=len(readings),
                            line=len(readings) + 2,
                            body=body,
                            lens=lens,
                            focal_mm=FOCAL_MM[lens],
                            fnumber=2.0,
                            distance_mm=distance * FOOT_MM,
                            reading_mm=ring,
                            operator="p",
                            setup=f"D{place}",
                        )
                    )
    return Prep(readings=tuple(readings), bodies=bodies or {}, lenses=lenses or {}, history=history)


def reference_answers() -> dict[str, Any]:
    """What the independent sampler found, by bench and quantity."""
    answers: dict[str, Any] = json.loads((REFERENCE / "answers.json").read_text())
    return answers


def reference_prep(name: str) -> tuple[Prep, BenchFacts]:
    """One of the benches that the independent sampler was run on."""
    spec = json.loads((REFERENCE / "benches.json").read_text())[name]
    readings, landings, cells = [], [], {}
    for i, one in enumerate(spec["readings"]):
        shared = {
            "row": i,
            "line": i + 2,
            "body": one["body"],
            "lens": one["lens"],
            "focal_mm": one["f"],
            "fnumber": one["N"],
            "distance_mm": one["D"],
            "setup": one["setup"],
        }
        if "measured" in one:
            landings.append(MeasuredLanding(**shared, landing_um=one["measured"], sd_um=one["sd"]))
            continue
        near, far = one["cell"]
        cells[i] = (near, math.inf if far is None else far)
        ring_mm = one.get("R") or math.inf
        readings.append(Reading(**shared, reading_mm=ring_mm, operator=one["person"]))
    bodies = {
        unit: BodyKnowledge(gauge_um=value, gauge_sd_um=sd) for _, unit, value, sd in spec.get("gauges", [])
    }
    lenses = {
        unit: LensKnowledge(history_mean_um=0.0, history_sd_um=sd)
        for unit, sd in spec.get("told_lenses", {}).items()
    }
    prep = Prep(readings=tuple(readings), landings=tuple(landings), bodies=bodies, lenses=lenses)
    return prep, BenchFacts(cell_mm_of_row=cells)


def as_landings(prep: Prep, landing_um: Mapping[str, float], *, sd_um: float) -> Prep:
    """Return the prep with a landing from frames, by lens, in place of each reading."""
    landings = tuple(
        MeasuredLanding(
            row=one.row,
            line=one.line,
            body=one.body,
            lens=one.lens,
            focal_mm=one.focal_mm,
            fnumber=one.fnumber,
            distance_mm=one.distance_mm,
            landing_um=landing_um[one.lens],
            sd_um=sd_um,
            setup=one.setup,
        )
        for one in prep.readings
    )
    return replace(prep, readings=(), landings=landings)
