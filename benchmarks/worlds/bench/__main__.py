"""``python -m benchmarks.worlds.bench``: run the judge on worlds and keep the table in RESULTS.md.

Reported seeds begin at 10 000 (:data:`~benchmarks.worlds.bench.worlds.REPORTED_FROM`); tune on smaller ones,
whose tables are printed and never kept.
"""

import argparse
import json
import os
from collections.abc import Callable, Iterable
from datetime import date
from itertools import combinations
from pathlib import Path
from tempfile import TemporaryDirectory

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

from benchmarks.worlds.bench import scoring  # noqa: E402
from benchmarks.worlds.bench.scene import Bench  # noqa: E402
from benchmarks.worlds.bench.scoring import Estimate, Verdict  # noqa: E402
from benchmarks.worlds.bench.truth import Truth  # noqa: E402
from benchmarks.worlds.bench.worlds import REPORTED_FROM, WORLDS, World  # noqa: E402

RESULTS = Path(__file__).parents[1] / "RESULTS.md"
TITLE = "The judge in worlds made apart"
HEADER = (
    "| world | bodies hold | RMS, µm | decided | wrong | wrongly out | true body turned "
    "| lenses hold | RMS, µm | decided | wrong "
    "| pairs hold | differences hold | named | right if named | likeliest right |"
)

Judge = Callable[[Bench], Verdict]


def product_judge(bench: Bench) -> Verdict:
    """Run what ``shimwise judge --json`` runs."""
    from shimwise.bench.desk.judge import judge_file, verdict_json

    with TemporaryDirectory() as folder:
        kit = Path(folder) / "kit.toml"
        kit.write_text(bench.kit_toml, encoding="utf-8")
        return verdict_json(judge_file(bench.readings_csv.encode(), kit_path=kit))


def stored(judge: Judge, folder: Path) -> Judge:
    """Return a judge that keeps each verdict in a folder, and does not judge a bench twice."""

    def stored_judge(bench: Bench) -> Verdict:
        file = folder / f"{bench.world}-{bench.seed}.json"
        if file.exists():
            kept: Verdict = json.loads(file.read_text(encoding="utf-8"))
            return kept
        verdict = judge(bench)
        folder.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps(verdict), encoding="utf-8")
        return verdict

    return stored_judge


def with_sums(verdict: Verdict) -> Verdict:
    """Return the verdict with pairs and differences that it lacks, from bodies and lenses as if independent.

    This is what a reader does with a verdict that lists neither: variances are added.
    """

    def interval(value: str, um: float, *sds_um: float) -> dict[str, float]:
        reach = 1.96 * sum(sd**2 for sd in sds_um) ** 0.5
        return {value: um, "low_um": um - reach, "high_um": um + reach}

    bodies, lenses = verdict["bodies"], verdict["lenses"]
    sums = {
        "pairs": [
            {
                "body": body["name"],
                "lens": lens["name"],
                **interval("landing_um", body["error_um"] + lens["error_um"], body["sd_um"], lens["sd_um"]),
            }
            for body in bodies
            for lens in lenses
        ],
        "differences": [
            {
                "body": body["name"],
                "than": than["name"],
                **interval(
                    "difference_um", body["error_um"] - than["error_um"], body["sd_um"], than["sd_um"]
                ),
            }
            for body, than in combinations(bodies, 2)
        ],
    }
    return sums | verdict


def run_world(
    world: World, seeds: Iterable[int], judge: Judge
) -> tuple[list[Estimate], list[tuple[Verdict, Truth]]]:
    """Judge the benches of a world; returns its estimates, and the verdicts with their truths."""
    verdicts = []
    for seed in seeds:
        bench = world.bench(seed)
        verdicts.append((with_sums(judge(bench)), bench.truth))
    found = [estimate for verdict, truth in verdicts for estimate in scoring.estimates(verdict, truth)]
    return found, verdicts


def row_of(world: World, found: list[Estimate], verdicts: list[tuple[Verdict, Truth]]) -> str:
    """Return the world's row of the table."""
    tolerance = verdicts[0][1].tolerance_um
    body, lens, pair, difference = (
        scoring.tally(found, kind=kind, tolerance_um=tolerance)
        for kind in ("body", "lens", "pair", "difference")
    )
    named = scoring.causes(verdicts)
    cells = (
        *(
            body.coverage,
            body.rms_um,
            body.decided,
            body.wrong,
            body.wrongly_out,
            scoring.turned_wrongly(verdicts),
        ),
        *(lens.coverage, lens.rms_um, lens.decided, lens.wrong),
        *(pair.coverage, difference.coverage),
        *(named.named, named.right_if_named, named.likeliest_right),
    )
    name = world.name if world.can_part else f"{world.name} ‡"
    return f"| {name} | " + " | ".join("–" if cell is None else f"{cell:.2f}" for cell in cells) + " |"


SUMS_HEADER = (
    "| world | pairs decided | wrong | wrongly out | RMS, µm | differences RMS, µm | eyes hold "
    "| body called out | said together |"
)


def sums_row(world: World, found: list[Estimate], verdicts: list[tuple[Verdict, Truth]]) -> str:
    """Return the world's row of the second table: pairs, differences, eyes, and what is said together.

    ``said together``: share of benches with a finding of what cannot be separated, or one eye alone named.
    """
    tolerance = verdicts[0][1].tolerance_um
    pair, difference, eye = (
        scoring.tally(found, kind=kind, tolerance_um=tolerance) for kind in ("pair", "difference", "eye")
    )
    out = [any(b["verdict"].startswith("out") for b in verdict["bodies"]) for verdict, _ in verdicts]
    said = [
        bool(verdict.get("unparted")) or any(one["code"] == "one_eye" for one in verdict["notices"])
        for verdict, _ in verdicts
    ]
    shares = (sum(out) / len(out), sum(said) / len(said))
    cells = (
        pair.decided,
        pair.wrong,
        pair.wrongly_out,
        pair.rms_um,
        difference.rms_um,
        eye.coverage,
        *shares,
    )
    name = world.name if world.can_part else f"{world.name} ‡"
    return f"| {name} | " + " | ".join("–" if cell is None else f"{cell:.2f}" for cell in cells) + " |"


def section(
    rows: list[str], sums: list[str], bodies: list[Estimate], *, seeds: range, title: str = TITLE
) -> str:
    """Return the section of RESULTS.md."""
    calibrated = scoring.calibration(bodies, tolerance_um=10.0)
    return "\n".join(
        [
            f"## {title}",
            "",
            f"{date.today().isoformat()} · {os.cpu_count()} cores · seeds {seeds.start} to {seeds.stop - 1}, "
            f"{len(seeds)} benches a world · named: the likeliest cause has P ≥ .5",
            "",
            "‡ readings cannot part bodies from lenses, sets or persons here. Pairs and differences that the "
            "verdict does not list are sums of bodies and lenses as if independent.",
            "",
            HEADER,
            "|" + "---|" * (HEADER.count("|") - 1),
            *rows,
            "",
            "Pairs (body + lens), differences of bodies, eyes; said together: a finding of what cannot be "
            "separated, or that one eye alone has read:",
            "",
            SUMS_HEADER,
            "|" + "---|" * (SUMS_HEADER.count("|") - 1),
            *sums,
            "",
            "P(out) of the bodies in all worlds without ‡:",
            "",
            "| predicted | observed | bodies |",
            "|---|---|---|",
            *(f"| {said:.2f} | {is_out:.2f} | {count} |" for said, is_out, count in calibrated),
            "",
        ]
    )


def keep(text: str, *, title: str = TITLE) -> None:
    """Replace one section of RESULTS.md and leave the others."""
    kept = RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else "# Worlds made apart: measured\n"
    before, found, after = kept.partition(f"## {title}\n")
    rest = after[after.find("\n## ") + 1 :] if found and "\n## " in after else ""
    RESULTS.write_text("\n".join([before.rstrip(), "", text, rest]).rstrip() + "\n", encoding="utf-8")


def write_bench(bench: Bench, folder: Path) -> None:
    """Write readings.csv, kit.toml and truth.json of a bench into a folder of its own."""
    own = folder / f"{bench.world}-{bench.seed}"
    own.mkdir(parents=True, exist_ok=True)
    (own / "readings.csv").write_text(bench.readings_csv, encoding="utf-8")
    (own / "kit.toml").write_text(bench.kit_toml, encoding="utf-8")
    truth = json.dumps(bench.truth.as_json(), indent=1)
    (own / "truth.json").write_text(truth + "\n", encoding="utf-8")


def main() -> None:
    """Run worlds, printing each row when it is known."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "worlds", nargs="*", choices=[*WORLDS, []], help="worlds to run; all when none is named"
    )
    parser.add_argument("--first", type=int, default=REPORTED_FROM, help="first seed")
    parser.add_argument("--benches", type=int, default=200, help="benches a world")
    parser.add_argument("--keep", action="store_true", help="keep the table in RESULTS.md")
    parser.add_argument("--write", type=Path, metavar="FOLDER", help="write the benches, judge nothing")
    parser.add_argument("--store", type=Path, metavar="FOLDER", help="keep verdicts, use those kept there")
    arguments = parser.parse_args()
    judge = stored(product_judge, arguments.store) if arguments.store else product_judge
    seeds = range(arguments.first, arguments.first + arguments.benches)
    if arguments.write:
        for name in arguments.worlds or WORLDS:
            for seed in seeds:
                write_bench(WORLDS[name].bench(seed), arguments.write)
        return
    is_kept = arguments.keep and arguments.first >= REPORTED_FROM
    rows: list[str] = []
    sums: list[str] = []
    bodies: list[Estimate] = []
    print(HEADER, flush=True)
    for name in arguments.worlds or WORLDS:
        found, verdicts = run_world(WORLDS[name], seeds, judge)
        rows.append(row_of(WORLDS[name], found, verdicts))
        sums.append(sums_row(WORLDS[name], found, verdicts))
        print(rows[-1], sums[-1], sep="\n", flush=True)
        if WORLDS[name].can_part:
            bodies += [estimate for estimate in found if estimate.kind == "body"]
        if is_kept:
            keep(section(rows, sums, bodies, seeds=seeds))


if __name__ == "__main__":
    main()
