"""Fifty preps of a lens set on the bodies of a small house: what the memory is worth, and what it notices.

The truth is written from the trade's side: units wander at their own rates, charts are taped anew for every
prep, one person reads by eye, and twice in the fifty preps something falls and nobody says so. The memory is
told nothing but the readings and how many days passed.

``python -m benchmarks.history [--houses 16] [--seed N]``
"""

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from benchmarks import prep_simulator as simulator
from benchmarks.results import write_section
from shimwise.inference.history.house_memory import learned
from shimwise.inference.model.joint_memory import LASTING, DriftRates, History
from shimwise.inference.model.prep import MeasuredLanding, Prep, Reading
from shimwise.inference.verdict.answer import Answer
from shimwise.inference.verdict.judge import judge

SEED, CONFIRMING_SEED = 20261126, 774411
HOUSES = 16
PREPS = 50
BODIES = ("B1", "B2", "B3")
REPEATS = 3
DAYS = (5.0, 30.0)
"""Least and largest time between two preps."""
WANDER_UM = (0.5, 3.0)
"""Least and largest sd of a unit's own wandering from one prep to the next; the memory assumes 2.3."""
SCALE_WANDER_PERMILLE = 0.15
LONG_MM = 75.0
"""From here on the ring tells little: 2 mm at 3 ft are 16 µm at 75 mm and 39 µm at 100 mm."""
SWEEP_SD_UM = 3.0
KNOCKS = 2
FIRST_KNOCK = 4
"""Knocks come after this many preps, when there is a memory to compare with."""
KNOCK_UM = (10.0, 60.0)
LARGE_UM = 20.0
COUNTED_FROM = 3
"""False notices are counted from this prep on."""
LONG = tuple(lens.name for lens in simulator.SET if lens.focal_mm >= LONG_MM)


@dataclass
class House:
    """The truth of a house, as it wanders."""

    rng: np.random.Generator
    truth: simulator.Truth
    wander_um: dict[str, float]

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "House":
        """A house of three bodies and a set of six lenses."""
        truth = simulator.draw_truth(rng, bodies=BODIES)
        names = [*truth.body_um, *truth.lens_um]
        return cls(rng, truth, {name: float(rng.uniform(*WANDER_UM)) for name in names})

    def wander(self) -> None:
        """Time and travel."""

        def moved(units: dict[str, float]) -> dict[str, float]:
            return {name: um + self.rng.normal(0, self.wander_um[name]) for name, um in units.items()}

        scale = {
            name: permille + self.rng.normal(0, SCALE_WANDER_PERMILLE)
            for name, permille in self.truth.scale_permille.items()
        }
        self.truth = replace(
            self.truth,
            body_um=moved(dict(self.truth.body_um)),
            lens_um=moved(dict(self.truth.lens_um)),
            scale_permille=scale,
        )

    def knock(self, name: str, by_um: float) -> None:
        """Something falls."""
        field = "body_um" if name in self.truth.body_um else "lens_um"
        units = dict(getattr(self.truth, field))
        units[name] += by_um
        self.truth = replace(self.truth, **{field: units})

    def read(self, body: str, *, has_sweeps: bool) -> tuple[Prep, dict[str, float]]:
        """A prep with one body, charts taped anew; also the truth of its units."""
        here = replace(
            self.truth,
            body_um={body: self.truth.body_um[body]},
            setup_mm={simulator.setup_name(body, d): float(self.rng.normal(0, 2.0)) for d in range(3)},
        )
        readings, _ = simulator.read_all(self.rng, here, repeats=REPEATS)
        prep = self._with_sweeps(readings, here, body) if has_sweeps else Prep(readings=readings)
        return prep, {**here.body_um, **here.lens_um}

    def _with_sweeps(self, readings: tuple[Reading, ...], truth: simulator.Truth, body: str) -> Prep:
        """The long lenses by a sweep at each distance instead of by eye."""
        long = [one for one in readings if one.focal_mm >= LONG_MM]
        first = {(one.lens, one.distance_mm): one for one in long}.values()
        return Prep(
            readings=tuple(one for one in readings if one.focal_mm < LONG_MM),
            landings=tuple(self._swept(one, truth, body) for one in first),
        )

    def _swept(self, reading: Reading, truth: simulator.Truth, body: str) -> MeasuredLanding:
        separation_mm = truth.separation_mm[reading.lens]
        at_mark, at_chart = (
            simulator.extension_mm(reading.focal_mm, distance_mm, separation_mm)
            for distance_mm in (reading.distance_mm, reading.distance_mm + truth.setup_mm[reading.setup])
        )
        landing_um = truth.body_um[body] + truth.lens_um[reading.lens] + 1e3 * (at_mark - at_chart)
        landing_um += truth.scale_permille[reading.lens] * at_chart + self.rng.normal(0, SWEEP_SD_UM)
        return MeasuredLanding(
            row=reading.row,
            line=reading.line,
            body=body,
            lens=reading.lens,
            focal_mm=reading.focal_mm,
            fnumber=reading.fnumber,
            distance_mm=reading.distance_mm,
            landing_um=landing_um,
            sd_um=SWEEP_SD_UM,
            setup=reading.setup,
        )


@dataclass(frozen=True)
class Row:
    """One prep: which intervals held, notices true and false, and the knock if there was one."""

    prep: int
    body_held: bool
    lenses_held: tuple[bool, ...]
    body_sd_um: float
    body_error_um: float
    lens_error_um: tuple[float, ...]
    knock_um: float
    knocked: str
    is_knock_noticed: bool
    false_notices: int


def _widened(history: History, days: float) -> History:
    added = [DriftRates().variance(unit.kind, days=days, jobs=1) for unit in history.units]
    return replace(history, covariance=history.covariance + np.diag(np.array(added, dtype=float)))


def _lasting(history: History) -> History:
    return history.only(unit for unit in history.units if unit.kind in LASTING).floored()


def run_house(seed: int, house: int, *, memory: str = "joint", has_sweeps: bool = False) -> list[Row]:
    """Fifty preps of one house.

    ``memory``: "joint"; "alone" forgets what hangs together (a negative control); "none" forgets everything.
    """
    rng = np.random.default_rng([seed, house])
    own = House.draw(rng)
    knocks = _draw_knocks(rng)
    seen = dict.fromkeys((*BODIES, *own.truth.lens_um), 0)
    history, rows = History.empty(), []
    pending: dict[str, float] = {}
    for i in range(PREPS):
        days = float(rng.uniform(*DAYS))
        own.wander()
        body = str(rng.choice(BODIES))
        history = _widened(history, days)
        if i in knocks:
            name, by_um = knocks[i]
            name = name if name != "body" else body
            own.knock(name, by_um)
            pending[name] = by_um if seen[name] else 0.0
        prep, truth = own.read(body, has_sweeps=has_sweeps)
        answer = judge(prep if memory == "none" else replace(prep, history=history), seed=i)
        names = [one.unit for one in answer.notices if one.code == "knocked"]
        knock = next(((name, by_um) for name, by_um in pending.items() if name in truth), ("", 0.0))
        rows.append(_row(i, answer, truth, body, names, knock))
        pending.pop(knock[0], None)
        history = _lasting(learned(history, prep)[0])
        if memory == "alone":
            history = replace(history, covariance=np.diag(np.diag(history.covariance)))
        for name in truth:
            seen[name] += 1
    return rows


def _draw_knocks(rng: np.random.Generator) -> dict[int, tuple[str, float]]:
    """Two preps before which something fell: what and how far; half of the time the body in hand."""
    when = rng.choice(np.arange(FIRST_KNOCK, PREPS), size=KNOCKS, replace=False)
    lenses = [lens.name for lens in simulator.SET]
    return {
        int(i): (
            "body" if rng.random() < 0.3 else str(rng.choice(lenses)),
            float(rng.choice([-1, 1]) * rng.uniform(*KNOCK_UM)),
        )
        for i in when
    }


def _row(
    i: int,
    answer: Answer,
    truth: dict[str, float],
    body: str,
    noticed: list[str],
    knock: tuple[str, float],
) -> Row:
    def held(kind: str, name: str) -> tuple[bool, float, float]:
        unit = answer.unit(kind, name)
        assert unit is not None
        return unit.low_um <= truth[name] <= unit.high_um, unit.error_um - truth[name], unit.sd_um

    lenses = [held("lens", name) for name in truth if name != body]
    body_held, body_error_um, body_sd_um = held("body", body)
    return Row(
        prep=i,
        body_held=body_held,
        lenses_held=tuple(one[0] for one in lenses),
        body_sd_um=body_sd_um,
        body_error_um=body_error_um,
        lens_error_um=tuple(one[1] for one in lenses),
        knock_um=knock[1],
        knocked=knock[0],
        is_knock_noticed=knock[0] in noticed,
        false_notices=sum(name != knock[0] for name in noticed),
    )


@dataclass(frozen=True)
class Summary:
    """What the houses measured."""

    preps: int
    body_coverage: float
    lens_coverage: float
    body_rms_um: float
    late_body_rms_um: float
    large_knocks: int
    large_noticed: float
    large_short_noticed: float
    small_noticed: float
    false_notices: float


def summarise(rows: Iterable[Row]) -> Summary:
    """Sum the preps of all houses up."""
    rows = list(rows)
    counted = [row for row in rows if row.prep >= COUNTED_FROM]
    large = [row.is_knock_noticed for row in rows if abs(row.knock_um) >= LARGE_UM]
    short = [
        row.is_knock_noticed for row in rows if abs(row.knock_um) >= LARGE_UM and row.knocked not in LONG
    ]
    small = [row.is_knock_noticed for row in rows if 0 < abs(row.knock_um) < LARGE_UM]
    late = [row.body_error_um for row in rows if row.prep >= 10]
    return Summary(
        preps=len(rows),
        body_coverage=float(np.mean([row.body_held for row in rows])),
        lens_coverage=float(np.mean([held for row in rows for held in row.lenses_held])),
        body_rms_um=float(np.sqrt(np.mean([row.body_error_um**2 for row in rows]))),
        late_body_rms_um=float(np.sqrt(np.mean(np.square(late)))),
        large_knocks=len(large),
        large_noticed=float(np.mean(large)) if large else float("nan"),
        large_short_noticed=float(np.mean(short)) if short else float("nan"),
        small_noticed=float(np.mean(small)) if small else float("nan"),
        false_notices=float(np.mean([row.false_notices > 0 for row in counted])),
    )


def measure(seed: int, houses: int, **how: str | bool) -> Summary:
    """Run so many houses of a seed."""
    return summarise(row for house in range(houses) for row in run_house(seed, house, **how))  # type: ignore[arg-type]


def table(seed: int, houses: int) -> list[str]:
    """The table, goal beside measured, with a second seed and the negative controls."""
    runs = {
        "by eye": measure(seed, houses),
        f"by eye, seed {CONFIRMING_SEED}": measure(CONFIRMING_SEED, houses),
        "long lenses by sweep": measure(seed, houses, has_sweeps=True),
        f"by sweep, seed {CONFIRMING_SEED}": measure(CONFIRMING_SEED, houses, has_sweeps=True),
        "each unit alone": measure(seed, houses // 2, memory="alone"),
        "no memory": measure(seed, houses // 2, memory="none"),
    }

    def row(name: str, cells: Iterable[str]) -> str:
        return f"| {name} | " + " | ".join(cells) + " |"

    found = list(runs.values())
    return [
        f"{PREPS} preps a house, {REPEATS} repeats of six lenses at three distances, one of three bodies; "
        f"knocks of {KNOCK_UM[0]:g} to {KNOCK_UM[1]:g} µm. By sweep: 75 and 100 mm by frames, one sweep of "
        "3 µm a distance. The last three columns are controls. A ring read to 2 mm at 3 ft tells a 75 mm "
        "lens to 16 µm and a 100 mm lens to 39 µm a reading: by eye, knocks there are missed.",
        "",
        row("", runs),
        row("---", ["---"] * len(runs)),
        row("preps", [str(one.preps) for one in found]),
        row("95 % intervals of bodies hold (≥ 93 %)", [f"{100 * one.body_coverage:.1f} %" for one in found]),
        row("95 % intervals of lenses hold (≥ 93 %)", [f"{100 * one.lens_coverage:.1f} %" for one in found]),
        row("body error RMS, µm", [f"{one.body_rms_um:.2f}" for one in found]),
        row("body error RMS from the 11th prep on, µm", [f"{one.late_body_rms_um:.2f}" for one in found]),
        row(
            "knock ≥ 20 µm noticed at once (≥ 90 %)",
            [f"{100 * one.large_noticed:.0f} % of {one.large_knocks}" for one in found],
        ),
        row(
            "the same, of bodies and lenses below 75 mm",
            [f"{100 * o.large_short_noticed:.0f} %" for o in found],
        ),
        row("knock of 10 to 20 µm noticed at once", [f"{100 * one.small_noticed:.0f} %" for one in found]),
        row("preps with a false notice (≤ 2 %)", [f"{100 * one.false_notices:.1f} %" for one in found]),
    ]


def main() -> None:
    """Measure and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=HOUSES)
    parser.add_argument("--seed", type=int, default=SEED)
    arguments = parser.parse_args()
    lines = table(arguments.seed, arguments.houses)
    if arguments.houses >= HOUSES:
        write_section("History over fifty preps", f"{arguments.seed}, {CONFIRMING_SEED}", lines)
    else:
        print("\n".join(lines))


if __name__ == "__main__":
    main()
