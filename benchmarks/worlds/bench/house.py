"""A rental house over two years: the same units prep after prep, wandering, knocked, adjusted, read."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from numpy.random import Generator

from benchmarks.worlds.bench.person import Person
from benchmarks.worlds.bench.prep import NOTHING_TOLD, USUAL_HABITS, Habits, Prep, Told
from benchmarks.worlds.bench.scene import Bench, Scene, Spreads, bench_of, draw_prep, stream
from benchmarks.worlds.bench.units import Body, Lens, SetUp

DAYS_A_MONTH = 30.4
HOUSE_SPREADS = Spreads(body_um=8.0, lens_um=8.0)

STAFF = (
    Person(name="Kim", threshold=0.45, offset_nc=-0.10),
    Person(name="Noor", threshold=0.6, offset_nc=0.12),
    Person(name="Sasha", threshold=0.5, unsteadiness=0.5, offset_nc=0.0),
    Person(name="Toni", threshold=0.7, offset_nc=-0.25),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HouseLife:
    """What a house owns and what happens to it.

    Attributes
    ----------
    bodies, sets
        How many bodies, and how many sets of six primes.
    preps, days
        How many preps in how many days.
    bodies_a_prep
        Bodies on the bench at a time, with one set of lenses.
    spreads
        Of the units when the record begins; ``set_um`` is a shift common to a set.
    wander_um
        Random walk of bodies and lenses [µm per square root of a month].
    knocks_a_year, knock_um
        How often a unit is knocked, and the spread of what that does [µm].
    adjusted_share
        Share of bodies beyond tolerance after a prep that are adjusted there and then.
    left_um
        What an adjustment leaves [µm, sd].
    persons, persons_a_prep
        Staff, and how many of them read at a prep.
    """

    bodies: int = 12
    sets: int = 4
    preps: int = 40
    days: float = 730.0
    bodies_a_prep: int = 2
    spreads: Spreads = HOUSE_SPREADS
    set_um: float = 4.0
    wander_um: float = 0.8
    knocks_a_year: float = 0.15
    knock_um: float = 25.0
    adjusted_share: float = 0.7
    left_um: float = 2.5
    persons: tuple[Person, ...] = STAFF
    persons_a_prep: int = 1
    habits: Habits = USUAL_HABITS
    told: Told = NOTHING_TOLD


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePrep:
    """A prep of the house: its day, the bench, and by how much bodies were adjusted after it [µm]."""

    day: float
    bench: Bench
    adjusted_um: dict[str, float]
    knocked_before: tuple[str, ...]


@dataclass(slots=True)
class _Stock:
    bodies: dict[str, Body]
    lenses: dict[str, Lens]
    sets_um: dict[str, float]

    def wander(self, life: HouseLife, days: float, rng: Generator) -> tuple[str, ...]:
        """Let every unit wander and be knocked; returns the names of the knocked."""
        knocked: list[str] = []

        def moved_um(name: str) -> float:
            moved = life.wander_um * (days / DAYS_A_MONTH) ** 0.5 * rng.standard_normal()
            knock = life.knock_um * rng.standard_normal()
            if rng.random() < life.knocks_a_year * days / 365.0:
                moved += knock
                knocked.append(name)
            return float(moved)

        for name, body in self.bodies.items():
            self.bodies[name] = replace(body, flange_error_um=body.flange_error_um + moved_um(name))
        for name, lens in self.lenses.items():
            self.lenses[name] = replace(lens, flange_error_um=lens.flange_error_um + moved_um(name))
        return tuple(knocked)


def live(life: HouseLife, *, seed: int) -> Iterator[HousePrep]:
    """Let a house live and read its preps, in order of their days."""
    stock = _stock(life, seed)
    rng = stream(seed, "life")
    days = sorted(rng.uniform(0, life.days, life.preps).tolist())
    before = 0.0
    for number, day in enumerate(days):
        knocked = stock.wander(life, day - before, rng)
        before = day
        bench = _prep(life, stock, seed=seed, number=number, rng=rng)
        adjusted = {}
        for body in bench.prep.bodies:
            left, acts = life.left_um * rng.standard_normal(), rng.random() < life.adjusted_share
            if acts and abs(body.flange_error_um) > life.told.tolerance_um:
                adjusted[body.name] = float(left) - body.flange_error_um
                stock.bodies[body.name] = replace(body, flange_error_um=float(left))
        yield HousePrep(day=day, bench=bench, adjusted_um=adjusted, knocked_before=knocked)


def _stock(life: HouseLife, seed: int) -> _Stock:
    drawn_bodies, _ = draw_prep(Scene(bodies=life.bodies, spreads=life.spreads), seed=seed)
    lenses: dict[str, Lens] = {}
    shifts = (life.set_um * stream(seed, "sets").standard_normal(life.sets)).tolist()
    sets_um = {f"Set {chr(ord('P') + n)}": shift for n, shift in enumerate(shifts)}
    for number, (name, shift) in enumerate(sets_um.items()):
        prep, _ = draw_prep(Scene(spreads=life.spreads), seed=seed * 1000 + number)
        for lens in prep.lenses:
            own = f"{name[-1]}{lens.focals[0].engraved_mm:g}"
            error = lens.flange_error_um + shift
            lenses[own] = replace(lens, name=own, set_name=name, flange_error_um=error)
    return _Stock({body.name: body for body in drawn_bodies.bodies}, lenses, sets_um)


def _prep(life: HouseLife, stock: _Stock, *, seed: int, number: int, rng: Generator) -> Bench:
    names = rng.choice(sorted(stock.bodies), life.bodies_a_prep, replace=False).tolist()
    set_name = str(rng.choice(sorted(stock.sets_um)))
    persons = rng.choice(len(life.persons), life.persons_a_prep, replace=False).tolist()
    distances = Scene().distances_mm
    errors = iter((life.spreads.tape_mm * rng.standard_normal(len(names) * len(distances))).tolist())
    prep = Prep(
        bodies=tuple(stock.bodies[name] for name in names),
        lenses=tuple(lens for lens in stock.lenses.values() if lens.set_name == set_name),
        setups=tuple(
            SetUp(name=f"{name} chart {n + 1}", body=name, taped_mm=mm, true_minus_taped_mm=next(errors))
            for name in names
            for n, mm in enumerate(distances)
        ),
        persons=tuple(life.persons[at] for at in persons),
        habits=life.habits,
        told=life.told,
    )
    return bench_of(
        prep, world="house", seed=seed * 1000 + number, sets_um={set_name: stock.sets_um[set_name]}
    )
