"""A prep drawn by chance: how many units, how far they spread, who reads, and which fault was put in.

Each quantity has its own stream of chance, so that switching one effect on leaves all others as they were.
Sizes are common practice, no source, where not said otherwise; they were not taken from any prior.
"""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.random import Generator

from benchmarks.worlds.bench.files import kit_toml, readings_csv
from benchmarks.worlds.bench.glass import InnerFocus
from benchmarks.worlds.bench.marks import MM_PER_FOOT
from benchmarks.worlds.bench.person import Person
from benchmarks.worlds.bench.prep import NOTHING_TOLD, USUAL_HABITS, Habits, Prep, Row, Told, read_prep
from benchmarks.worlds.bench.truth import Cause, Truth, truth_of
from benchmarks.worlds.bench.units import Body, Lens, SetUp, prime

_Unit = TypeVar("_Unit", Body, Lens, SetUp, Person)
Shape = Literal["normal", "uniform", "two_sided"]
FaultKind = Literal["body", "lens", "set", "scale", "setup", "body_reference", "eye"]

USUAL_SIZES: dict[FaultKind, float] = {
    "body": 35.0,
    "lens": 35.0,
    "set": 20.0,
    "scale": 15.0,
    "setup": 25.4,
    "body_reference": 8.0,
    "eye": 0.5,
}
"""Sizes of a fault: µm, µm, µm, ‰, mm (a tape read from its first inch), mm, N·c."""
MEASURES: dict[FaultKind, str] = {
    "body": "um",
    "lens": "um",
    "set": "um",
    "scale": "permille",
    "setup": "mm",
    "body_reference": "mm",
    "eye": "nc",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of what is healthy, its shape, and the share that was dropped.

    ``clip_um`` keeps healthy bodies and lenses within it, where a world is to have one fault only.
    """

    body_um: float = 5.0
    lens_um: float = 6.0
    scale_permille: float = 1.5
    tape_mm: float = 1.5
    mark_mm: float = 0.3
    offset_nc: float = 0.05
    focal_percent: float = 0.5
    separation_mm: float = 8.0
    shape: Shape = "normal"
    dropped_share: float = 0.0
    dropped_um: float = 45.0
    clip_um: float | None = None


USUAL_SPREADS = Spreads()
NO_SPREAD = Spreads(
    body_um=0,
    lens_um=0,
    scale_permille=0,
    tape_mm=0,
    mark_mm=0,
    offset_nc=0,
    focal_percent=0,
    separation_mm=0,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault put in: its kind, size (sign by chance unless ``signed``), and whom it strikes."""

    kind: FaultKind
    size: float | None = None
    signed: bool = False
    unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A habit of the trade from which preps are drawn; see the parts for their fields."""

    bodies: int = 2
    focals_mm: Sequence[float] = (18, 25, 35, 50, 75, 100)
    distances_mm: Sequence[float] = (3 * MM_PER_FOOT, 6 * MM_PER_FOOT)
    f_number: float = 2.0
    persons: Sequence[Person] = (Person(name="Kim"),)
    habits: Habits = USUAL_HABITS
    told: Told = NOTHING_TOLD
    spreads: Spreads = USUAL_SPREADS
    faults: Sequence[Fault] = ()
    cold_kelvin: float = 0.0
    inner: InnerFocus | None = None
    is_inner_told: bool = False
    misnamed_by: float = 1.0
    identifiable: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A prep, read: what a judge is given (two files' text) and the truth."""

    world: str
    seed: int
    prep: Prep
    rows: tuple[Row, ...]
    readings_csv: str
    kit_toml: str
    truth: Truth


def stream(seed: int, name: str) -> Generator:
    """Return the stream of chance of this name; the same for the same seed on every machine."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def drawn(size: int, *, sd: float, shape: Shape, rng: Generator) -> list[float]:
    """Draw values of mean 0 and standard deviation ``sd`` in the shape named."""
    if shape == "uniform":
        values = rng.uniform(-1, 1, size) * 3**0.5
    elif shape == "two_sided":
        values = rng.choice((-1.0, 1.0), size) * rng.uniform(0.8, 1.18, size)
    else:
        values = rng.standard_normal(size)
    return [sd * float(value) for value in values]


def draw_bench(scene: Scene, *, world: str, seed: int) -> Bench:
    """Draw a prep, read it, and write its files."""
    return bench_of(*draw_prep(scene, seed=seed), world=world, seed=seed, identifiable=scene.identifiable)


def bench_of(
    prep: Prep,
    causes: tuple[Cause, ...] = (),
    *,
    world: str,
    seed: int,
    sets_um: dict[str, float] | None = None,
    identifiable: bool = True,
) -> Bench:
    """Read a prep with the chance of ``seed`` and gather files and truth."""
    rows = read_prep(prep, stream(seed, "readings"))
    sets_um = sets_um or {cause.unit: cause.size for cause in causes if cause.kind == "set"}
    return Bench(
        world=world,
        seed=seed,
        prep=prep,
        rows=rows,
        readings_csv=readings_csv(rows),
        kit_toml=kit_toml(prep, stream(seed, "kit")),
        truth=truth_of(prep, rows, causes=causes, sets_um=sets_um, identifiable=identifiable),
    )


def draw_prep(scene: Scene, *, seed: int) -> tuple[Prep, tuple[Cause, ...]]:
    """Draw the prep of a scene and the causes put into it."""
    bodies = _bodies(scene, seed)
    prep = Prep(
        bodies=bodies,
        lenses=_lenses(scene, seed),
        setups=_setups(scene, bodies, seed),
        persons=_persons(scene, seed),
        habits=scene.habits,
        told=scene.told,
    )
    causes = []
    for number, fault in enumerate(scene.faults):
        prep, cause = put_in(prep, fault, stream(seed, f"fault {number}"))
        causes.append(cause)
    return prep, tuple(causes)


def _errors_um(spreads: Spreads, count: int, *, sd_um: float, rng: Generator) -> list[float]:
    errors = drawn(count, sd=sd_um, shape=spreads.shape, rng=rng)
    dropped = rng.random(count) < spreads.dropped_share
    far = rng.laplace(0.0, spreads.dropped_um / 2**0.5, count)
    errors = [e + f if d else e for e, f, d in zip(errors, far.tolist(), dropped.tolist(), strict=True)]
    if spreads.clip_um is None:
        return errors
    return [min(max(error, -spreads.clip_um), spreads.clip_um) for error in errors]


def _bodies(scene: Scene, seed: int) -> tuple[Body, ...]:
    s, count = scene.spreads, scene.bodies
    errors = _errors_um(s, count, sd_um=s.body_um, rng=stream(seed, "bodies"))
    marks = drawn(count, sd=s.mark_mm, shape=s.shape, rng=stream(seed, "marks"))
    return tuple(
        Body(name=f"A-{n + 1:02}", flange_error_um=e, mark_ahead_mm=m, cold_kelvin=scene.cold_kelvin)
        for n, (e, m) in enumerate(zip(errors, marks, strict=True))
    )


def _lenses(scene: Scene, seed: int) -> tuple[Lens, ...]:
    s, count = scene.spreads, len(scene.focals_mm)
    errors = _errors_um(s, count, sd_um=s.lens_um, rng=stream(seed, "lenses"))
    scales = drawn(count, sd=s.scale_permille, shape=s.shape, rng=stream(seed, "scales"))
    percents = drawn(count, sd=s.focal_percent, shape=s.shape, rng=stream(seed, "focals"))
    apart = drawn(count, sd=s.separation_mm, shape=s.shape, rng=stream(seed, "separations"))
    return tuple(
        prime(
            f"P{focal:g}",
            focal_mm=focal,
            true_focal_mm=focal * scene.misnamed_by * (1 + percent / 100),
            f_number=scene.f_number,
            separation_mm=separation,
            inner=scene.inner,
            flange_error_um=error,
            scale_permille=scale,
            is_known_internal=scene.is_inner_told,
        )
        for focal, error, scale, percent, separation in zip(
            scene.focals_mm, errors, scales, percents, apart, strict=True
        )
    )


def _setups(scene: Scene, bodies: tuple[Body, ...], seed: int) -> tuple[SetUp, ...]:
    count = len(bodies) * len(scene.distances_mm)
    errors = iter(
        drawn(count, sd=scene.spreads.tape_mm, shape=scene.spreads.shape, rng=stream(seed, "tapes"))
    )
    return tuple(
        SetUp(
            name=f"{body.name} chart {n + 1}", body=body.name, taped_mm=mm, true_minus_taped_mm=next(errors)
        )
        for body in bodies
        for n, mm in enumerate(scene.distances_mm)
    )


def _persons(scene: Scene, seed: int) -> tuple[Person, ...]:
    s = scene.spreads
    offsets = drawn(len(scene.persons), sd=s.offset_nc, shape=s.shape, rng=stream(seed, "eyes"))
    return tuple(
        replace(person, offset_nc=person.offset_nc + offset)
        for person, offset in zip(scene.persons, offsets, strict=True)
    )


def put_in(prep: Prep, fault: Fault, rng: Generator) -> tuple[Prep, Cause]:
    """Put a fault into a prep; a scale fault strikes a lens of 35 mm or longer, a tape a near chart."""
    size = USUAL_SIZES[fault.kind] if fault.size is None else fault.size
    size = size if fault.signed else size * float(rng.choice((-1.0, 1.0)))
    names = {
        "body": [body.name for body in prep.bodies],
        "body_reference": [body.name for body in prep.bodies],
        "lens": [lens.name for lens in prep.lenses],
        "scale": [lens.name for lens in prep.lenses if lens.focals[0].engraved_mm >= 35],
        "set": sorted({lens.set_name for lens in prep.lenses}),
        "setup": [s.name for s in prep.setups if s.taped_mm == min(t.taped_mm for t in prep.setups)],
        "eye": [person.name for person in prep.persons],
    }[fault.kind]
    unit = fault.unit or names[int(rng.integers(len(names)))]
    cause = Cause(kind=fault.kind, unit=unit, size=size, measure=MEASURES[fault.kind])
    if fault.kind in {"body", "body_reference"}:
        change = {"flange_error_um" if fault.kind == "body" else "mark_ahead_mm": size}
        return replace(prep, bodies=tuple(_changed(b, b.name == unit, change) for b in prep.bodies)), cause
    if fault.kind in {"lens", "scale"}:
        change = {"flange_error_um" if fault.kind == "lens" else "scale_permille": size}
        return replace(prep, lenses=tuple(_changed(x, x.name == unit, change) for x in prep.lenses)), cause
    if fault.kind == "set":
        lenses = tuple(
            replace(lens, flange_error_um=lens.flange_error_um + size) if lens.set_name == unit else lens
            for lens in prep.lenses
        )
        return replace(prep, lenses=lenses), cause
    if fault.kind == "setup":
        change = {"true_minus_taped_mm": size}
        return replace(prep, setups=tuple(_changed(s, s.name == unit, change) for s in prep.setups)), cause
    change = {"offset_nc": size}
    return replace(prep, persons=tuple(_changed(p, p.name == unit, change) for p in prep.persons)), cause


def _changed(unit: _Unit, is_meant: bool, change: dict[str, Any]) -> _Unit:
    return replace(unit, **change) if is_meant else unit
