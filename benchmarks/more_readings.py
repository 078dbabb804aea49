"""How often "needs about n more readings" is enough: simulated preps, read on as the judge proposes.

Of every simulated prep some undecided units are drawn for which the judge gives a number. Each is read on by
itself, with the three readings that shrink it most in turn, and judged after half the number, the number
and twice the number. A number that is right on average is enough about half the time.

``python -m benchmarks.more_readings [--preps 20] [--seed N]``
"""

import argparse
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np  # noqa: E402

from benchmarks import prep_simulator as simulator  # noqa: E402
from benchmarks.results import write_section  # noqa: E402
from shimwise.inference.model.candidates import possible_readings  # noqa: E402
from shimwise.inference.model.prep import LensKnowledge, Prep, Reading  # noqa: E402
from shimwise.inference.verdict.answer import LensAnswer  # noqa: E402
from shimwise.inference.verdict.judge import Judged, judge_prep  # noqa: E402
from shimwise.inference.verdict.next_readings import next_readings  # noqa: E402
from shimwise.inference.verdict.unit_state import StateCode, state_of  # noqa: E402

SEED = 20261130
PREPS = 20
UNITS_A_PREP = 2
SHARES = (0.5, 1.0, 2.0)
"""After so many times the number the unit is judged again."""
KNOWN_SD_UM = 4.0
SPREAD = simulator.Spread(body_um=8.0, lens_um=5.0, scale_permille=2.0, setup_mm=1.5)
LENSES = {lens.name: lens for lens in simulator.SET}


@dataclass(frozen=True)
class ReadOn:
    """A unit that was read on: what was asked, and after which of SHARES it was decided."""

    kind: str
    asked: int
    decided: tuple[bool, ...]


def drawn(rng: np.random.Generator, *, is_known: bool) -> tuple[simulator.Truth, Prep]:
    """Two bodies and six lenses, read once or twice at three distances."""
    truth = simulator.draw_truth(
        rng, replace(SPREAD, lens_um=KNOWN_SD_UM if is_known else 5.0), bodies=("B1", "B2")
    )
    readings, _ = simulator.read_all(rng, truth, repeats=int(rng.integers(1, 3)))
    known = {
        lens.name: LensKnowledge(
            focal_lengths_mm=(lens.focal_mm,),
            fnumber=lens.fnumber,
            history_mean_um=0.0 if is_known else None,
            history_sd_um=KNOWN_SD_UM if is_known else None,
        )
        for lens in simulator.SET
    }
    return truth, Prep(readings=readings, lenses=known)


def judged(prep: Prep) -> Judged:
    """Judge with all readings that could be taken."""
    return judge_prep(prep, candidates=possible_readings(prep, distances_mm=simulator.DISTANCES_MM))


def read_on(
    rng: np.random.Generator, truth: simulator.Truth, prep: Prep, kind: str, name: str, count: int
) -> Prep:
    """Take so many more readings of a unit: the three that shrink it most, in turn."""
    now = judged(prep)
    wanted = np.array([now.draws.quantities.index(kind, name)])
    best = next_readings(now.draws, now.built, wanted=wanted)
    readings: list[Reading] = list(prep.readings)
    for number in range(count):
        one = best[number % len(best)]
        setup = simulator.setup_name(one.body, simulator.DISTANCES_MM.index(one.distance_mm))
        taken, _ = simulator.read_once(rng, truth, one.body, LENSES[one.lens], one.distance_mm, setup)
        row = len(readings)
        readings.append(replace(taken, row=row, line=row + 2))
    return replace(prep, readings=tuple(readings))


def units(rng: np.random.Generator, *, is_known: bool) -> Iterator[ReadOn]:
    """Draw a prep and read on some of its undecided units."""
    truth, prep = drawn(rng, is_known=is_known)
    answer = judged(prep).answer
    asked = [
        ("lens" if isinstance(unit, LensAnswer) else "body", unit.name, state.more)
        for unit in (*answer.bodies, *answer.lenses)
        if (state := state_of(unit, answer)).code is StateCode.NEEDS_READINGS and state.more
    ]
    for place in rng.permutation(len(asked))[:UNITS_A_PREP]:
        kind, name, more = asked[place]
        decided, so_far = [], prep
        for share in SHARES:
            count = max(1, round(share * more)) - (len(so_far.readings) - len(prep.readings))
            so_far = read_on(rng, truth, so_far, kind, name, count)
            unit = judged(so_far).answer.unit(kind, name)
            decided.append(unit is not None and unit.verdict.is_decided)
        yield ReadOn(kind, more, tuple(decided))


def lines(found: dict[str, list[ReadOn]]) -> list[str]:
    """Return the table."""
    rows = [
        "| lenses | unit | units | asked, median (middle half) | decided after half as many | after as many "
        "| after twice |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for what, each in found.items():
        for kind in ("body", "lens"):
            own = [one for one in each if one.kind == kind]
            if not own:
                continue
            low, middle, high = np.percentile([one.asked for one in own], [25, 50, 75])
            shares = np.mean([one.decided for one in own], axis=0)
            rows.append(
                f"| {what} | {kind} | {len(own)} | {middle:.0f} ({low:.0f}–{high:.0f}) | "
                + " | ".join(f"{share:.0%}" for share in shares)
                + " |"
            )
    return rows


def main() -> None:
    """Run both kinds of prep and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--preps", type=int, default=PREPS)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--keep", action="store_true", help="keep the table in RESULTS.md")
    arguments = parser.parse_args()
    found = {
        what: [
            one
            for number in range(arguments.preps)
            for one in units(np.random.default_rng((arguments.seed, is_known, number)), is_known=is_known)
        ]
        for is_known, what in ((False, "nothing told"), (True, f"known to {KNOWN_SD_UM:g} µm"))
    }
    text = lines(found)
    print("\n".join(text))
    if arguments.keep:
        write_section("How many more readings", str(arguments.seed), text)


if __name__ == "__main__":
    main()
