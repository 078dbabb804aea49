"""How long the judge takes: whole processes, and the steps that a page would wait for."""

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks import prep_simulator, preps
from shimwise.inference.model.candidates import possible_readings
from shimwise.inference.model.prep import Reading
from shimwise.inference.verdict.judge import judge_prep
from shimwise.inference.verdict.next_readings import next_readings
from shimwise.lengths import mm_to_feet_text

HEADER = "body,lens,focal_length_mm,f_number,distance,reading,operator,setup"


def median_s(function: Callable[[], object], times: int) -> float:
    """Median seconds of a call."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        function()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def readings_csv(readings: tuple[Reading, ...]) -> str:
    """A readings file as a technician writes it."""
    rows = [
        f"{r.body},{r.lens},{r.focal_mm:g},{r.fnumber:g},{_quoted(r.distance_mm)},{_quoted(r.reading_mm)},op,{r.setup}"
        for r in readings
    ]
    return "\n".join([HEADER, *rows, ""])


def _quoted(length_mm: float) -> str:
    return '"' + mm_to_feet_text(length_mm, denominator=4).replace('"', '""') + '"'


def run(*arguments: str) -> Callable[[], object]:
    """A whole process of the command line."""
    command = [str(Path(sys.executable).with_name("shimwise")), *arguments]
    return lambda: subprocess.run(command, check=False, capture_output=True)


def lines() -> list[str]:
    """Rows of the table of times."""
    prep, _ = preps.simulate_column(preps.COLUMNS[1], 0)
    judged = judge_prep(prep, candidates=possible_readings(prep))
    draws, built = judged.draws, judged.built
    wanted = np.array([*draws.quantities.indices("lens"), *draws.quantities.indices("body")])
    rng = np.random.default_rng(preps.SEED)
    truth = prep_simulator.draw_truth(rng)
    many, _ = prep_simulator.read_all(rng, truth, repeats=5556)
    with tempfile.TemporaryDirectory() as folder:
        few_file, many_file = Path(folder) / "few.csv", Path(folder) / "many.csv"
        few_file.write_text(readings_csv(prep.readings), encoding="utf-8")
        many_file.write_text(readings_csv(many[:100_000]), encoding="utf-8")
        rows = [
            ("`shimwise --help`, whole process", "≤ 250 ms", 1e3 * median_s(run("--help"), 9), "ms"),
            (
                "`judge`, 54 readings, whole process",
                "≤ 1.5 s",
                median_s(run("judge", str(few_file), "--json"), 5),
                "s",
            ),
            (
                "`judge`, 100,000 readings, whole process",
                "accepted",
                median_s(run("judge", str(many_file), "--json"), 1),
                "s",
            ),
            ("judgement of 54 readings", "≤ 120 ms", 1e3 * median_s(lambda: judge_prep(prep), 9), "ms"),
            (
                "next reading",
                "≤ 10 ms",
                1e3 * median_s(lambda: next_readings(draws, built, wanted=wanted), 25),
                "ms",
            ),
        ]
    table = ["| what | goal | measured |", "|---|---|---|"]
    return table + [f"| {what} | {goal} | {value:.3g} {unit} |" for what, goal, value, unit in rows]
