"""Small worlds for tuning the mixture model: coverage, errors and decisions on benches with known truth.

Run ``python -m benchmarks.tuning_worlds [benches] [world …]``. The worlds here are for
tuning only: figures to be claimed come from worlds written apart.
"""

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from benchmarks.preps import map_preps
from shimwise.inference.model.bench import BenchFacts
from shimwise.inference.model.prep import Prep, Reading
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.judge import judge_prep

FOOT, INCH = 304.8, 25.4
COC_UM = 20.0
LENSES = ((18, 2.0), (25, 2.0), (35, 2.0), (50, 2.0), (75, 2.0), (100, 2.8))
MARKS_FT = (2, 2.25, 2.5, 2.75, 3, 3.25, 3.5, 3.75, 4, 4.5, 5, 5.5, 6, 7, 8, 10, 12, 15, 20, 30, 60)
MARKS_MM = (*(FOOT * one for one in MARKS_FT), math.inf)
SEED = 424242


@dataclass(frozen=True)
class World:
    """What is true of a world and how its people read."""

    name: str
    bodies: int = 2
    lenses: int = 6
    distances_ft: tuple[float, ...] = (3, 6, 12)
    repeats: int = 3
    persons: tuple[str, ...] = ("p",)
    offset: tuple[float, ...] = (0.0,)
    parts: int = 0
    marks_told: bool = False
    body_um: Callable[[np.random.Generator], float] = lambda rng: float(rng.normal(0, 15))
    lens_um: Callable[[np.random.Generator], float] = lambda rng: float(rng.normal(0, 12))
    first_body_um: float | None = None
    set_um: float = 0.0
    scale_permille: float = 2.0
    tape_mm: float = 1.5
    reference_mm: float = 0.0
    blunders: float = 0.05
    setups_by_body: bool = True


def healthy(rng: np.random.Generator, sd: float) -> float:
    """A normal value that stays within 10."""
    while abs(value := float(rng.normal(0, sd))) >= 10:
        pass
    return value


def healthy_body(rng: np.random.Generator) -> float:
    """Error of a healthy body. [µm]"""
    return healthy(rng, 4)


def healthy_lens(rng: np.random.Generator) -> float:
    """Error of a healthy lens. [µm]"""
    return healthy(rng, 5)


def plus_or_minus_18(rng: np.random.Generator) -> float:
    """Error of a body that is out. [µm]"""
    return float(rng.choice([-18, 18]))


HEALTHY = World("healthy, nothing told", body_um=healthy_body, lens_um=healthy_lens, scale_permille=1.5)
WORLDS = (
    replace(HEALTHY),
    World("as assumed"),
    replace(HEALTHY, name="one person, true", body_um=lambda rng: float(rng.normal(0, 12))),
    replace(HEALTHY, name="one of two persons short by 1/2", persons=("p", "q"), offset=(0.0, -0.5)),
    replace(HEALTHY, name="one person, short by 1/2", offset=(-0.5,)),
    World(
        "quarter marks untold", parts=4, body_um=lambda rng: float(rng.normal(0, 12)), lens_um=healthy_lens
    ),
    World(
        "quarter marks told",
        parts=4,
        marks_told=True,
        body_um=lambda rng: float(rng.normal(0, 12)),
        lens_um=healthy_lens,
    ),
    World("marks untold", parts=1, body_um=lambda rng: float(rng.normal(0, 12)), lens_um=healthy_lens),
    replace(HEALTHY, name="INF only", distances_ft=(80.0,), body_um=plus_or_minus_18),
    replace(
        HEALTHY, name="3-6-12-INF", distances_ft=(3, 6, 12, 100.0), body_um=lambda r: float(r.normal(0, 12))
    ),
    replace(HEALTHY, name="set +20", set_um=20.0),
    replace(HEALTHY, name="body +120", first_body_um=120.0),
    replace(HEALTHY, name="one body, one lens, -60", bodies=1, lenses=1, first_body_um=-40.0, set_um=-20.0),
)


def magnification(f: float, x: float) -> float:
    """Thin lens between planes x apart."""
    if math.isinf(x):
        return 0.0
    b = x / f - 2
    return (b - math.sqrt(b * b - 4)) / 2


def written(ring_mm: float, parts: int) -> float:
    """What a person writes for a ring position: usual steps, or parts of the way between marks."""
    if ring_mm < 0 or ring_mm > 60 * FOOT * (1.0 if parts else 1.6):
        return math.inf
    if not parts:
        step = INCH / 4 if ring_mm < 4.5 * FOOT else INCH if ring_mm < 9 * FOOT else 3 * INCH
        step = step if ring_mm < 20 * FOOT else FOOT
        return round(ring_mm / step) * step
    i = max(0, min(int(np.searchsorted(MARKS_MM, ring_mm)) - 1, len(MARKS_MM) - 3))
    near, far = MARKS_MM[i], MARKS_MM[i + 1]
    angle = (1 / near - 1 / ring_mm) / (1 / near - 1 / far)
    return near + round(angle * parts) / parts * (far - near)


def bench(world: World, i: int) -> tuple[Prep, BenchFacts, dict[tuple[str, str], float]]:
    """One bench of a world: the prep, its facts, and the truth by (kind, name)."""
    rng = np.random.default_rng([SEED, i])
    bodies = {f"B{b}": world.body_um(rng) for b in range(world.bodies)}
    if world.first_body_um is not None:
        bodies["B0"] = world.first_body_um
    lenses = {f"L{n}": world.lens_um(rng) + world.set_um for n in range(world.lenses)}
    scale = {name: rng.normal(0, world.scale_permille) for name in lenses}
    separation = {name: rng.uniform(0, 15) for name in lenses}
    tape = rng.normal(0, world.tape_mm, (len(bodies), len(world.distances_ft)))
    k = rng.uniform(0.1, 0.3, len(world.persons))
    readings = []
    for b, body in enumerate(bodies):
        for d, feet in enumerate(world.distances_ft):
            for n, lens in enumerate(lenses):
                for rep in range(world.repeats):
                    who = rep % len(world.persons)
                    f, stop = LENSES[n if world.lenses > 1 else 2]
                    m = magnification(f, feet * FOOT + tape[b, d] - separation[lens])
                    eye = rng.normal(world.offset[who], k[who]) * stop * COC_UM
                    z = bodies[body] + lenses[lens] + scale[lens] * f * m + eye
                    ring_m = m - 1e-3 * z / f
                    ring = math.inf if ring_m <= 0 else f * (2 + ring_m + 1 / ring_m) + separation[lens]
                    if math.isfinite(ring):
                        ring += rng.normal(0, 1.5 * (feet / 3) ** 2)
                        if rng.random() < world.blunders:
                            ring *= 1 + rng.choice([-1, 1]) * 0.08
                    readings.append(
                        Reading(
                            row=len(readings),
                            line=len(readings) + 2,
                            body=body,
                            lens=lens,
                            focal_mm=f,
                            fnumber=stop,
                            distance_mm=feet * FOOT,
                            reading_mm=written(ring, world.parts),
                            operator=world.persons[who],
                            setup=f"{body}-{d}",
                        )
                    )
    truth = {("body", name): value for name, value in bodies.items()}
    truth |= {("lens", name): value for name, value in lenses.items()}
    facts = BenchFacts(marks_mm=dict.fromkeys(lenses, MARKS_MM) if world.marks_told else {})
    return Prep(readings=tuple(readings)), facts, truth


OUT = (Verdict.OUT_SHORT, Verdict.OUT_DEEP)


def one(world: World, i: int) -> dict[str, list[tuple[float, ...]]]:
    """Errors, hits and decisions of one bench by kind of quantity."""
    prep, facts, truth = bench(world, i)
    start = time.process_time()
    judged = judge_prep(prep, facts=facts, seed=i)
    took = time.process_time() - start
    answer, found = judged.answer, {"time": [(took, judged.draws.is_converged)]}
    for kind, units in (("body", answer.bodies), ("lens", answer.lenses)):
        found[kind] = [
            _row(truth[kind, u.name], u.error_um, u.low_um, u.high_um, u.verdict, u.p_out) for u in units
        ]
    found["pair"] = [
        _row(
            truth["body", u.body] + truth["lens", u.lens],
            u.landing_um,
            u.low_um,
            u.high_um,
            u.verdict,
            u.p_out,
        )
        for u in answer.pairs
    ]
    found["difference"] = [
        _row(truth["body", u.body] - truth["body", u.than], u.difference_um, u.low_um, u.high_um, None, 0.0)
        for u in answer.differences
    ]
    return found


def _row(
    truth: float, error: float, low: float, high: float, verdict: Verdict | None, p_out: float
) -> tuple[float, ...]:
    out = verdict in OUT
    fine = verdict is Verdict.IN_TOLERANCE
    is_out = abs(truth) > 10
    wrong = (out and not is_out) or (fine and is_out)
    return (error - truth, low <= truth <= high, out or fine, wrong, out and not is_out, fine, p_out, is_out)


def measure(world: World, count: int) -> str:
    """One line per kind of quantity: coverage, RMS, decided, wrongly decided, wrongly out, called fine."""
    results = map_preps(partial(_one_by_name, world.name), count)
    lines = [
        f"{world.name}: {np.median([r['time'][0][0] for r in results]):.2f} s median, "
        f"converged {np.mean([r['time'][0][1] for r in results]):.2f}"
    ]
    for kind in ("body", "lens", "pair", "difference"):
        rows = np.array([row for r in results for row in r[kind]])
        if len(rows):
            rms = math.sqrt(float(np.mean(rows[:, 0] ** 2)))
            cover, decided, wrong, wrongly_out, fine = rows[:, 1:6].mean(0)
            lines.append(
                f"   {kind:10s} coverage {cover:.3f}  rms {rms:6.2f}  decided {decided:.2f}  "
                f"wrong {wrong:.3f}  wrongly out {wrongly_out:.3f}  fine {fine:.2f}"
            )
    return "\n".join(lines)


def _one_by_name(name: str, i: int) -> dict[str, list[tuple[float, ...]]]:
    return one(next(world for world in WORLDS if world.name == name), i)


if __name__ == "__main__":
    benches = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    for chosen in WORLDS:
        if len(sys.argv) < 3 or any(word in chosen.name for word in sys.argv[2:]):
            print(measure(chosen, benches), flush=True)
