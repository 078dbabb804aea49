"""A simulated house as arrays: wandering bodies, lenses of sets, persons, tapes; and its truth."""

from dataclasses import dataclass

import numpy as np

from shimwise.arrays import FloatArray
from shimwise.inference.house.readings import HouseReadings

FOCAL_MM = np.array([18.0, 25.0, 35.0, 50.0, 75.0, 100.0])
DISTANCES_MM = np.array([914.4, 1828.8])
BLUR_UM = 40.0
ROUNDED_MM = 6.35


@dataclass(frozen=True)
class Truth:
    """What is true of a simulated house: bodies as last read, lenses, persons."""

    bodies_um: FloatArray
    lenses_um: FloatArray
    offsets: FloatArray


def simulated_house(
    *,
    preps: int,
    bodies: int = 10,
    sets: int = 3,
    body_um: float = 6.0,
    lens_um: float = 6.0,
    tape_mm: float = 1.5,
    walk_um: float = 1.0,
    offsets: tuple[float, ...] = (0.0, 0.0, 0.0),
    repeats: int = 2,
    k: float = 0.15,
    seed: int = 0,
) -> tuple[HouseReadings, Truth]:
    """Every prep: two bodies, one set of six lenses at 3 and 6 ft, one person; rings to quarter inches."""
    rng = np.random.default_rng(seed)
    body, lens = rng.normal(0, body_um, bodies), rng.normal(0, lens_um, 6 * sets)
    scale = rng.normal(0, 1.5, 6 * sets)
    rows: list[list[float]] = []
    tapes = 0
    for prep in range(preps):
        body = body + rng.normal(0, walk_um * 0.5, bodies)
        chosen, of, person = (
            rng.integers(sets),
            rng.choice(bodies, 2, replace=False),
            rng.integers(len(offsets)),
        )
        for one in of:
            for distance in DISTANCES_MM:
                tape, tapes = rng.normal(0, tape_mm), tapes + 1
                for i, focal in enumerate(FOCAL_MM):
                    m = focal / (distance - 2 * focal)
                    ring = 1800.0 * (m * distance / 914.4) ** 2
                    which = 6 * chosen + i
                    per_mm = 1e3 * m * m
                    for _ in range(repeats):
                        z = body[one] + lens[which] + scale[which] * focal * m + per_mm * tape
                        z += offsets[person] * BLUR_UM + rng.standard_t(4) * np.hypot(k * BLUR_UM, ring)
                        width = per_mm * ROUNDED_MM
                        low = np.floor(z / width) * width
                        units = [one, which, person, prep, tapes - 1]
                        rows.append([*units, distance, focal * m, per_mm, ring, low, low + width])
    found = np.array(rows)
    whole = found[:, :5].astype(np.intp)
    house = HouseReadings(
        bodies=tuple(f"B{i}" for i in range(bodies)),
        lenses=tuple(f"L{i}" for i in range(6 * sets)),
        sets=tuple(f"S{i}" for i in range(sets)),
        persons=tuple(f"P{i}" for i in range(len(offsets))),
        days=np.arange(preps, dtype=np.float64) * 15.0,
        set_of_lens=np.repeat(np.arange(sets), 6),
        body=whole[:, 0],
        lens=whole[:, 1],
        person=whole[:, 2],
        prep=whole[:, 3],
        tape=whole[:, 4],
        distance_mm=found[:, 5],
        scale_um=found[:, 6],
        tape_um=found[:, 7],
        blur_um=np.full(len(found), BLUR_UM),
        ring_um=found[:, 8],
        other_um=np.zeros(len(found)),
        low_um=found[:, 9],
        high_um=found[:, 10],
    )
    return house, Truth(body, lens, np.array(offsets))
