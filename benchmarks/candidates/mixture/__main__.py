"""``python -m benchmarks.candidates.mixture``: the candidate and today's judge on the worlds made apart.

Both judge the same benches, one bench of each world after another, until ``--benches`` or ``--minutes`` is
reached. A run from seed 20 000 on replaces the candidate's section of ``benchmarks/worlds/RESULTS.md``.
"""

import argparse
import os
import time
from dataclasses import asdict
from pathlib import Path
from tempfile import TemporaryDirectory

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import tomllib  # noqa: E402

from benchmarks.candidates.mixture.design import BenchFacts  # noqa: E402
from benchmarks.candidates.mixture.verdicts import judge_prep  # noqa: E402
from benchmarks.worlds.bench import scoring  # noqa: E402
from benchmarks.worlds.bench.__main__ import (  # noqa: E402
    keep,
    product_judge,
    row_of,
    section,
    with_sums,
)
from benchmarks.worlds.bench.files import kit_toml  # noqa: E402
from benchmarks.worlds.bench.scene import Bench, stream  # noqa: E402
from benchmarks.worlds.bench.scoring import Verdict  # noqa: E402
from benchmarks.worlds.bench.truth import Truth  # noqa: E402
from benchmarks.worlds.bench.worlds import WORLDS  # noqa: E402
from shimwise.bench.desk.inputs import read_inputs  # noqa: E402
from shimwise.lengths import length_to_mm  # noqa: E402
from shimwise.remedy.advice import advise  # noqa: E402
from shimwise.sheets.json.verdict_json import answer_to_json  # noqa: E402

TITLE = "A candidate beside today's judge: the mixture model"
FIRST = 20_000
"""First seed: the candidate was tuned on other benches, and today's judge is reported from 10 000 on."""
CHOSEN = (
    "healthy_nothing_told",
    "one_of_two_persons_short_half_nc",
    "one_person_short_half_nc",
    "rings_to_quarters_told",
    "rings_to_quarters_untold",
    "rings_to_marks",
    "rings_to_marks_told",
    "inf_only_body_18",
    "body_plus_120",
    "set_shift_20",
    "one_body_one_lens_sum_60",
    "three_six_twelve_inf",
    "fault_body",
    "fault_lens",
    "fault_scale",
    "fault_setup",
    "fault_body_reference",
    "fault_eye",
)
"""The worlds that the next judge has to hold in."""


def candidate_judge(bench: Bench) -> Verdict:
    """Return the candidate's verdict in the shape of the product's, with pairs, differences and eyes.

    Marks that a kit lists go to the candidate; the product does not read them.
    """
    facts = BenchFacts(marks_mm=_marks_mm(bench.kit_toml))
    with TemporaryDirectory() as folder:
        kit = Path(folder) / "kit.toml"
        kit.write_text(kit_toml(bench.prep, stream(bench.seed, "kit"), with_marks=False), encoding="utf-8")
        inputs = read_inputs(bench.readings_csv.encode(), kit_path=kit)
    found = judge_prep(inputs.prep, facts=facts).answer
    verdict = answer_to_json(
        found.answer, advise(found.answer, mechanisms=inputs.kit.mechanisms(), stock_um=())
    )
    eyes = {eye.name: asdict(eye) for eye in found.eyes}
    operators = [row | eyes.get(row["name"], {}) for row in verdict["operators"]]
    return verdict | {
        "operators": operators,
        "pairs": [asdict(pair) for pair in found.pairs],
        "differences": [asdict(difference) for difference in found.differences],
    }


def _marks_mm(kit: str) -> dict[str, tuple[float, ...]]:
    lenses = tomllib.loads(kit).get("lenses", {})
    return {
        name: tuple(length_to_mm(text) for text in table["marks"])
        for name, table in lenses.items()
        if "marks" in table
    }


JUDGES = {"today": product_judge, "candidate": candidate_judge}
Judged = dict[tuple[str, str], list[tuple[Verdict, Truth]]]


def judge_all(worlds: list[str], *, first: int, benches: int, minutes: float) -> tuple[Judged, int, float]:
    """Judge whole rounds, one bench of every world each.

    Returns
    -------
    judged, rounds, seconds
        By world and judge the verdicts with their truths; benches a world; CPU time of the candidate for a
        bench, with the reading of its files.
    """
    judged: Judged = {(world, judge): [] for world in worlds for judge in JUDGES}
    end, rounds, cpu_s = time.monotonic() + 60 * minutes, 0, 0.0
    while rounds < benches and time.monotonic() < end:
        for world in worlds:
            bench = WORLDS[world].bench(first + rounds)
            for name, judge in JUDGES.items():
                start = time.process_time()
                judged[world, name].append((with_sums(judge(bench)), bench.truth))
                cpu_s += time.process_time() - start if name == "candidate" else 0.0
        rounds += 1
        print(f"round {rounds}", flush=True)
    return judged, rounds, cpu_s / max(1, rounds * len(worlds))


def tables(judged: Judged, worlds: list[str], *, seeds: range, cpu_s: float) -> str:
    """Return the section: a row of each judge in each world, the candidate's P(out), pairs and eyes."""
    rows, sums, bodies = [], [], []
    for world in worlds:
        for name in JUDGES:
            verdicts = judged[world, name]
            found = [one for verdict, truth in verdicts for one in scoring.estimates(verdict, truth)]
            rows.append(row_of(WORLDS[world], found, verdicts).replace(world, f"{world}, {name}", 1))
        sums.append(_row_of_sums(world, found, tolerance_um=verdicts[0][1].tolerance_um))
        bodies += [one for one in found if one.kind == "body" and WORLDS[world].can_part]
    return "\n".join(
        [
            section(rows, bodies, seeds=seeds, title=TITLE),
            f"P(out) is the candidate's. Its CPU time: {cpu_s:.1f} s a bench, files included.",
            "",
            "What only the candidate reports (pairs: body + lens; eyes in N·c, interval of 95 %):",
            "",
            "| world | pairs decided | wrong | wrongly out | RMS, µm | differences RMS, µm | eyes hold |",
            "|---|---|---|---|---|---|---|",
            *sums,
            "",
        ]
    )


def _row_of_sums(world: str, found: list[scoring.Estimate], *, tolerance_um: float) -> str:
    pair, difference, eye = (
        scoring.tally(found, kind=kind, tolerance_um=tolerance_um) for kind in ("pair", "difference", "eye")
    )
    cells = (pair.decided, pair.wrong, pair.wrongly_out, pair.rms_um, difference.rms_um, eye.coverage)
    return f"| {world} | " + " | ".join("–" if cell is None else f"{cell:.2f}" for cell in cells) + " |"


def main() -> None:
    """Judge, print the section and keep it when its seeds are those that are reported."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("worlds", nargs="*", choices=[*WORLDS, []], help="the worlds of the list when none")
    parser.add_argument("--first", type=int, default=FIRST, help="first seed")
    parser.add_argument("--benches", type=int, default=200, help="benches a world")
    parser.add_argument("--minutes", type=float, default=600.0, help="no new round after this time")
    arguments = parser.parse_args()
    worlds = arguments.worlds or list(CHOSEN)
    judged, rounds, cpu_s = judge_all(
        worlds, first=arguments.first, benches=arguments.benches, minutes=arguments.minutes
    )
    text = tables(judged, worlds, seeds=range(arguments.first, arguments.first + rounds), cpu_s=cpu_s)
    print(text)
    if not arguments.worlds and arguments.first >= FIRST:
        keep(text, title=TITLE)


if __name__ == "__main__":
    main()
