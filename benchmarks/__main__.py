"""``python -m benchmarks``: accuracy and speed of the judge. ``--quick`` takes a tenth of the preps."""

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")  # two processes of one thread each, so that times mean something

import argparse  # noqa: E402
from collections.abc import Callable  # noqa: E402

from benchmarks import preps, speed  # noqa: E402
from benchmarks.preps import COLUMNS, KINDS, WRONG_HISTORY, Accuracy, Scenes  # noqa: E402
from benchmarks.results import write_section  # noqa: E402

PREPS = 2000
SCENES = {"fine": 2000, "body": 2000, "lens": 400, "scale": 400, "setup": 400}
TOLD_SCENES = {"fine": 200, "body": 500, "lens": 500}
NEXT_PREPS = 100


def main() -> None:
    """Run all of it, or the parts named, and keep the tables."""
    parts = {"speed": run_speed, "errors": run_errors, "scenes": run_scenes, "next": run_next}
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*parts, []], help="parts to run; all when none is named")
    parser.add_argument("--quick", action="store_true", help="a tenth of the preps; the tables are not kept")
    arguments = parser.parse_args()
    for name in arguments.parts or parts:
        parts[name](10 if arguments.quick else 1, print_section if arguments.quick else write_section)


Keep = Callable[[str, str, list[str]], None]


def print_section(title: str, _: str, lines: list[str]) -> None:
    """Print a section that is not kept."""
    print("\n".join([f"## {title}", "", *lines, ""]))


def run_speed(_: int, keep: Keep) -> None:
    """Times: run them when nothing else runs."""
    keep("Speed of the judge", str(preps.SEED), speed.lines())


def run_errors(share: int, keep: Keep) -> None:
    """Errors, intervals, alarms, rivals, reliability."""
    runs = [preps.measure_column(column, PREPS // share) for column in COLUMNS]
    wrong = preps.measure_column(WRONG_HISTORY, PREPS // share)
    keep("Errors of the body", str(preps.SEED), accuracy_lines(runs, wrong))
    keep("Predicted and observed probability of being out", str(preps.SEED), reliability_lines(runs))


def run_scenes(share: int, keep: Keep) -> None:
    """Single-fault scenes: what is named, and whether it is right."""
    scenes = {kind: preps.measure_scenes(kind, count // share) for kind, count in SCENES.items()}
    told = {
        kind: preps.measure_scenes(kind, count // share, is_history_told=True)
        for kind, count in TOLD_SCENES.items()
    }
    keep("Single-fault scenes", str(preps.SEED), scene_lines(scenes, told))


def run_next(share: int, keep: Keep) -> None:
    """How many readings the advice saves."""
    keep("Next-best reading", str(preps.SEED), next_lines(NEXT_PREPS // share))


def accuracy_lines(runs: list[Accuracy], wrong: Accuracy) -> list[str]:
    """The accuracy table, goal beside measured."""

    def row(name: str, cells: list[str]) -> str:
        return f"| {name} | " + " | ".join(cells) + " |"

    lines = [
        f"Simulated preps a column: {runs[0].count}; MixedLM on the first {preps.MIXED_MODEL_PREPS} of them.",
        "",
        row("", [run.column.name for run in runs]),
        row("---", ["---"] * len(runs)),
        row("body error RMS, µm", [f"**{r.rms_um:.2f}** (≤ {r.column.rms_goal_um})" for r in runs]),
        row("the least that any estimate can reach", [f"{r.oracle_rms_um:.2f}" for r in runs]),
        row("95 % intervals hold", [f"**{100 * r.coverage:.1f} %** (94–96.5)" for r in runs]),
        row(
            "false alarms, of bodies within 10 µm",
            [f"**{100 * r.alarms_of_fine:.1f} %** (≤ {100 * r.column.alarms_goal:g})" for r in runs],
        ),
        row("false alarms, of bodies called out", [f"{100 * r.alarms_of_called:.1f} %" for r in runs]),
        row(
            "found, of bodies beyond 15 µm",
            [f"**{100 * r.found:.1f} %** (≥ {100 * r.column.found_goal:g})" for r in runs],
        ),
        row("the most a calibrated judge can find", [f"{100 * r.found_bound:.1f} %" for r in runs]),
    ]
    names = {
        "object_mean": "RMS of the mean of object-space errors",
        "image_median": "RMS of the median in image space",
        "least_squares": "RMS of least squares",
        "mixed": "RMS of statsmodels MixedLM",
    }
    lines += [row(names[name], [f"{r.rivals_um[name]:.2f}" for r in runs]) for name in names]
    gains = [f"**{100 * (1 - r.rms_um / r.rivals_um['image_median']):.0f} %** (≥ 12)" for r in runs]
    lines.append(row("smaller than the median's by", gains))
    lines.append(row("RMS of the median joined with the gauge", [f"{r.joined_um:.2f}" for r in runs]))
    return [
        *lines,
        "",
        f"Wrong history (true sd 10 µm, told 5; {wrong.count} preps): intervals hold "
        f"**{100 * wrong.coverage:.1f} %** (≥ 90), RMS {wrong.rms_um:.2f} µm.",
    ]


def reliability_lines(runs: list[Accuracy]) -> list[str]:
    """The reliability table over all columns."""
    lines = ["| predicted | observed | bodies | apart |", "|---|---|---|---|"]
    for predicted, observed, count in preps.reliability(runs):
        lines.append(f"| {predicted:.2f} | {observed:.2f} | {count} | {abs(predicted - observed):.2f} |")
    return [*lines, "", "Goal: apart by at most .10 where there are 100 bodies or more."]


def scene_lines(scenes: dict[str, Scenes], told: dict[str, Scenes]) -> list[str]:
    """The scenes: what was named, and whether it was right."""
    lines = [
        f"A cause is named at a probability of {preps.NAMED_P}. Histories are not told, unless said.",
        "",
        "| fault | scenes | a cause is named | it is the right one |",
        "|---|---|---|---|",
    ]
    for kind, run in scenes.items():
        right = f"{run.right / run.named:.3f}" if kind != "fine" and run.named else ""
        lines.append(f"| {kind} | {run.count} | {run.named_share:.3f} | {right} |")
    named, right = (sum(getattr(scenes[kind], what) for kind in KINDS) for what in ("named", "right"))
    body, fine = scenes["body"], scenes["fine"]
    passed, faulty = (_over_units(told, what) for what in ("faulty_passed", "count"))
    passed_untold, faulty_untold = (_over_units(scenes, what) for what in ("faulty_passed", "count"))
    return [
        *lines,
        "",
        f"- body named when the body is at fault: **{body.right / body.count:.3f}** (≥ .97)",
        f"- nothing named in a fine scene: **{1 - fine.named_share:.3f}** (≥ .98)",
        f"- right, given that a cause is named: **{right / named:.3f}** (≥ .87)",
        "- a faulty unit called in tolerance, histories told (sd 5 µm): "
        f"**{100 * passed / faulty:.1f} %** (≤ 5); not told: {100 * passed_untold / faulty_untold:.1f} %",
        "- healthy units called in tolerance in fine scenes, histories told: "
        f"{100 * told['fine'].healthy_passed:.0f} %",
    ]


def _over_units(scenes: dict[str, Scenes], what: str) -> int:
    return sum(getattr(scenes[kind], what) for kind in ("body", "lens"))


def next_lines(count: int) -> list[str]:
    """Readings needed by each policy."""
    lines = [
        f"Readings until the body is known to ±{preps.NEXT_TARGET_UM:g} µm (95 %), mean of {count} preps.",
        "",
        "| policy | lenses known to 3 µm | lenses known to 4 µm |",
        "|---|---|---|",
    ]
    needed = [preps.measure_next(count, lens_sd_um) for lens_sd_um in (3.0, 4.0)]
    lines += [
        f"| {policy} | " + " | ".join(f"{one[policy]:.1f}" for one in needed) + " |" for policy in needed[0]
    ]
    for goal, rivals in (
        (40, ["every lens in turn"]),
        (15, [p for p in preps.FIXED if p != "every lens in turn"]),
    ):
        fewer = [100 * (1 - one["next best"] / min(one[rival] for rival in rivals)) for one in needed]
        name = "every lens in turn" if goal == 40 else "the better fixed plan"
        lines.append(
            f"| fewer than {name} (≥ {goal} %) | " + " | ".join(f"**{f:.0f} %**" for f in fewer) + " |"
        )
    return lines


if __name__ == "__main__":
    main()
