"""``python -m benchmarks.plan_promise``: whether a plan's promise is kept in worlds made apart.

A plan is made for each bench from the kit alone, its readings are taken in the world as planned, and the
judge judges them. A body's promise is kept when half its 95 % interval is no wider than the plan said.
"""

import argparse
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic, process_time
from typing import Any

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np  # noqa: E402
from scipy.stats import beta  # noqa: E402

from benchmarks.worlds.bench.__main__ import product_judge  # noqa: E402
from benchmarks.worlds.bench.prep import Habits, Planned, Prep  # noqa: E402
from benchmarks.worlds.bench.scene import Bench, bench_of, drawn, stream  # noqa: E402
from benchmarks.worlds.bench.units import SetUp  # noqa: E402
from benchmarks.worlds.bench.worlds import REPORTED_FROM, WORLDS  # noqa: E402

USUAL_WORLDS = (
    "healthy_nothing_told",
    "rings_to_quarters_told",
    "body_plus_120",
    "one_of_two_persons_short_half_nc",
)
HEADER = (
    "| world | preps | bodies kept | of preps, 95 % | all bodies kept | 95 % "
    "| promised, µm | middle promised | reached, middle | nine tenths "
    "| readings | the rule promises, µm | CPU of a plan, s |"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Half widths of one bench's bodies: promised, of the middle prep, and reached (bodies,). [µm]"""

    promised_um: tuple[float, ...]
    median_um: tuple[float, ...]
    reached_um: tuple[float, ...]
    rule_um: float
    readings: int
    cpu_s: float

    @property
    def kept(self) -> tuple[bool, ...]:
        """Whether each body's promise is kept."""
        return tuple(reached <= said for reached, said in zip(self.reached_um, self.promised_um, strict=True))


def kit_to_plan_with(bench: Bench) -> str:
    """Return the kit that a plan needs before any reading: the bench's, with lenses' and bodies' names."""
    text = bench.kit_toml
    for lens in bench.prep.lenses:
        lines = f"focal_length_mm = {lens.focals[0].engraved_mm:g}\nf_number = {lens.f_number:g}\n"
        head = f'[lenses."{lens.name}"]\n'
        text = text.replace(head, head + lines) if head in text else f"{text}\n{head}{lines}"
    for body in bench.prep.bodies:
        head = f'[bodies."{body.name}"]\n'
        text = text if head in text else f"{text}\n{head}"
    return text


@cache
def plan_of(kit: str, target_um: float) -> tuple[dict[str, Any], float]:
    """Return what ``shimwise plan --json`` says, and its processor time [s]; once for each kit."""
    from shimwise.bench.desk.plan import plan_file
    from shimwise.sheets.json.plan_json import plan_to_json

    with TemporaryDirectory() as folder:
        path = Path(folder) / "kit.toml"
        path.write_text(kit, encoding="utf-8")
        start = process_time()
        planned = plan_file(kit_path=path, target_um=target_um)
        return plan_to_json(planned.plan), process_time() - start


def read_as_planned(bench: Bench, plan: dict[str, Any], *, seed: int) -> Bench:
    """Read the bench's units anew, at the plan's charts and with its repeats; persons read in turns."""
    charts = sorted({(one["body"], one["distance_mm"]) for one in plan["readings"]})
    tapes_mm = drawn(len(charts), sd=1.5, shape="normal", rng=stream(seed, "tapes"))
    setups = tuple(
        SetUp(name=f"{body} at {mm:.0f}", body=body, taped_mm=mm, true_minus_taped_mm=error_mm)
        for (body, mm), error_mm in zip(charts, tapes_mm, strict=True)
    )
    prep = replace(
        bench.prep,
        setups=setups,
        habits=Habits(grain=bench.prep.habits.grain, persons_share="turns"),
        plan=_lines(bench.prep, plan),
    )
    return bench_of(prep, world=bench.world, seed=seed)


def _lines(prep: Prep, plan: dict[str, Any]) -> tuple[Planned, ...]:
    """Return the plan's lines; with two persons each line is halved, so that both read every lens."""
    halves = len(prep.persons)
    lines = []
    for one in plan["readings"]:
        for part in range(halves):
            repeats = (one["repeats"] + halves - 1 - part) // halves
            name = f"{one['body']} at {one['distance_mm']:.0f}"
            lines.append(Planned(body=one["body"], lens=one["lens"], setup=name, repeats=repeats))
    return tuple(lines)


def outcome(world: str, seed: int, target_um: float) -> Outcome:
    """Plan, read and judge one bench."""
    bench = WORLDS[world].bench(seed)
    plan, cpu_s = plan_of(kit_to_plan_with(bench), target_um)
    verdict = product_judge(read_as_planned(bench, plan, seed=seed))
    reached = {one["name"]: (one["high_um"] - one["low_um"]) / 2 for one in verdict["bodies"]}
    return Outcome(
        promised_um=tuple(one["half_width_um"] for one in plan["bodies"]),
        median_um=tuple(one["median_um"] for one in plan["bodies"]),
        reached_um=tuple(reached[one["name"]] for one in plan["bodies"]),
        rule_um=plan["rule_um"],
        readings=plan["count"],
        cpu_s=cpu_s,
    )


def interval(kept: float, count: float) -> str:
    """Return the 95 % interval of a share (Clopper and Pearson, Biometrika 26, 1934, 404)."""
    low = beta.ppf(0.025, kept, count - kept + 1) if kept > 0 else 0.0
    high = beta.ppf(0.975, kept + 1, count - kept) if kept < count else 1.0
    return f"{low:.2f} to {high:.2f}"


def row_of(world: str, outcomes: Sequence[Outcome]) -> str:
    """Return a world's row; bodies of one prep are kept together or not, so their interval counts preps."""
    kept = np.array([one.kept for one in outcomes])
    reached = np.array([one.reached_um for one in outcomes])
    share, together, count = float(kept.mean()), int(kept.all(1).sum()), len(outcomes)
    cells = (
        world,
        str(count),
        f"{share:.3f} ({int(kept.sum())} of {kept.size})",
        interval(share * count, count),
        f"{together / count:.3f}",
        interval(together, count),
        f"{np.median([one.promised_um for one in outcomes]):.1f}",
        f"{np.median([one.median_um for one in outcomes]):.1f}",
        f"{np.median(reached):.1f}",
        f"{np.quantile(reached, 0.9):.1f}",
        f"{np.median([one.readings for one in outcomes]):.0f}",
        f"{np.median([one.rule_um for one in outcomes]):.1f}",
        f"{np.median([one.cpu_s for one in outcomes]):.2f}",
    )
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    """Run all worlds on each seed in turn; after the time given, or the last seed, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("worlds", nargs="*", default=USUAL_WORLDS, help="worlds to run")
    parser.add_argument("--first", type=int, default=REPORTED_FROM, help="first seed")
    parser.add_argument("--benches", type=int, default=60, help="preps a world")
    parser.add_argument("--target", type=float, default=16.0, help="half width asked for [µm]")
    parser.add_argument("--minutes", type=float, default=60.0, help="begin no seed after this time")
    arguments = parser.parse_args()
    found: dict[str, list[Outcome]] = {world: [] for world in arguments.worlds}
    end_s = monotonic() + 60 * arguments.minutes
    for seed in range(arguments.first, arguments.first + arguments.benches):
        if monotonic() > end_s:
            break
        for world in arguments.worlds:
            found[world].append(outcome(world, seed, arguments.target))
    print(HEADER, "|" + "---|" * (HEADER.count("|") - 1), sep="\n")
    for world, outcomes in found.items():
        print(row_of(world, outcomes), flush=True)


if __name__ == "__main__":
    main()
