"""Make the invented bench of ``shimwise demo``: two bodies, eight lenses, and the faults that it has.

The faults are chosen, everything else is drawn: errors of healthy units, histories, the eye, the ring, the
rounding. How usual the bench is that was kept, is said in ``truth.json``.

    python -m benchmarks.demo_bench
"""

import csv
import io
import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from benchmarks.prep_simulator import (
    COC_UM,
    FOOT_MM,
    READING_SD_MM,
    distance_mm,
    extension_mm,
    mark_spacing_mm,
    rounded_mm,
)
from shimwise.files.kit_file import parse_kit
from shimwise.files.readings import parse_readings
from shimwise.inference.model.prep import Prep
from shimwise.inference.verdict.answer import Answer, Verdict
from shimwise.inference.verdict.judge import judge
from shimwise.lengths import mm_to_feet_text

FOLDER = Path(__file__).parents[1] / "src/shimwise/bench/demo/demo_bench"
SEEDS, KEPT = 200, 5
"""Benches drawn to see how usual the one kept is: one on which all is found, nothing more is doubted, every
95 % interval holds the truth, and something is left to read."""
HEADER = ("body", "lens", "focal_length_mm", "f_number", "distance", "reading", "operator", "setup")


class Lens(NamedTuple):
    """A lens of the set: focal length, stop, and the separation of its principal planes."""

    focal_mm: float
    fnumber: float
    separation_mm: float


LENSES = {
    "H18": Lens(18, 2, 12),
    "H21": Lens(21, 2, 11),
    "H25": Lens(25, 2, 9),
    "H32": Lens(32, 2, 8),
    "H40": Lens(40, 2, 4),
    "H50": Lens(50, 2, -3),
    "H75": Lens(75, 2, -6),
    "H100": Lens(100, 2.8, -8),
}
TAPES_FT = {"3 ft": 3, "6 ft": 6, "12 ft": 12}
BODIES = ("A-07", "A-12")
PEOPLE = {"assistant": 0.17, "technician": 0.13}
"""k, the spread of each as a share of N·c; each reads everything once."""
BODY_FAULT, LENS_FAULT, SETUP_FAULT = ("A-07", -24.0), ("H40", 28.0), ("A-12 at 6 ft", 25.4)
"""The units at fault, and by how many µm, µm, mm."""
BLUNDERS = {("A-07", "H25", "3 ft", "assistant"), ("A-12", "H75", "3 ft", "technician")}
"""Readings that are off by one engraved mark."""
HEALTHY = {"body": (3.0, 8.0), "lens": (4.0, 8.0), "scale": (1.5, 4.0), "setup": (1.2, 3.5)}
"""Standard deviation of what is healthy, and where it is cut off. [µm, µm, ‰, mm]"""
HISTORY_SD_UM = 5.0

KIT_HEAD = """\
# The kit of `shimwise demo`. Invented data: no such bodies or lenses exist.
# Errors are in microns at the sensor, short below 0, deep above.
tolerance_um = 10

[shims]
stock_um = [10, 20, 50, 100]

[bodies.A-07]
circle_of_confusion_um = 20

[bodies.A-07.mechanism]
kind = "screw"
um_per_turn = 350
um_per_turn_sd = 15
away = "clockwise"
has_lock = true
backlash_um = 12

[bodies.A-12]
circle_of_confusion_um = 20

[bodies.A-12.mechanism]
kind = "shimmed mount"
stock_um = [10, 25, 50]
"""


class Bench(NamedTuple):
    """The two files, and what is true."""

    readings: str
    kit: str
    truth: dict[str, Any]


def make(seed: int) -> Bench:
    """Make a bench."""
    rng = np.random.default_rng(seed)
    truth = draw_truth(rng)
    kit = kit_text(draw_history(rng, truth))
    readings, truth["blunder_lines"] = read_all(rng, truth)
    truth["seed"] = seed
    return Bench(readings, kit, truth)


def draw_truth(rng: np.random.Generator) -> dict[str, Any]:
    """Draw the errors of healthy units, and set the three faults."""

    def healthy(kind: str) -> float:
        sd, cut = HEALTHY[kind]
        while abs(value := float(rng.normal(0, sd))) > cut:
            pass
        return round(value, 2)

    truth = {
        "bodies_um": {body: healthy("body") for body in BODIES},
        "lenses_um": {lens: healthy("lens") for lens in LENSES},
        "scales_permille": {lens: healthy("scale") for lens in LENSES},
        "setups_mm": {f"{body} at {tape}": healthy("setup") for body in BODIES for tape in TAPES_FT},
    }
    faults = {"bodies_um": BODY_FAULT, "lenses_um": LENS_FAULT, "setups_mm": SETUP_FAULT}
    for key, (unit, size) in faults.items():
        truth[key][unit] = size
    return truth | {"faults": {key: unit for key, (unit, _) in faults.items()}}


def draw_history(rng: np.random.Generator, truth: dict[str, Any]) -> dict[str, int]:
    """Last time's answer of each lens, from before the one at fault was knocked. [µm]"""
    past = truth["lenses_um"] | {LENS_FAULT[0]: rng.normal(0, HEALTHY["lens"][0])}
    return {lens: round(float(um + rng.normal(0, HISTORY_SD_UM / 2))) for lens, um in past.items()}


def kit_text(history: dict[str, int]) -> str:
    """Write the kit file."""
    lenses = "".join(
        f"\n[lenses.{name}]\nfocal_length_mm = {lens.focal_mm:g}\nf_number = {lens.fnumber:g}\n"
        f"principal_separation_mm = {lens.separation_mm:g}\n"
        f"history_mean_um = {history[name]}\nhistory_sd_um = {HISTORY_SD_UM:g}\n"
        for name, lens in LENSES.items()
    )
    return KIT_HEAD + lenses


def read_all(rng: np.random.Generator, truth: dict[str, Any]) -> tuple[str, list[int]]:
    """Write the readings file; also the lines of the blunders."""
    out, blunder_lines = io.StringIO(), []
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    keys = [(b, t, n, p) for b in BODIES for t in TAPES_FT for n in LENSES for p in PEOPLE]
    for line, (body, tape, name, person) in enumerate(keys, start=2):
        taped_mm, setup = TAPES_FT[tape] * FOOT_MM, f"{body} at {tape}"
        ring_mm = read_once(rng, truth, body, name, taped_mm, setup, person)
        if (body, name, tape, person) in BLUNDERS:
            ring_mm += float(rng.choice([-1, 1])) * mark_spacing_mm(ring_mm)
            blunder_lines.append(line)
        lens = LENSES[name]
        distance, reading = mm_to_feet_text(taped_mm), mm_to_feet_text(rounded_mm(ring_mm), denominator=4)
        focal, fnumber = f"{lens.focal_mm:g}", f"{lens.fnumber:g}"
        writer.writerow([body, name, focal, fnumber, distance, reading, person, setup])
    return out.getvalue(), blunder_lines


def read_once(
    rng: np.random.Generator,
    truth: dict[str, Any],
    body: str,
    name: str,
    taped_mm: float,
    setup: str,
    person: str,
) -> float:
    """Where the ring stands when a person finds the chart sharp, before it is rounded. [mm]"""
    lens = LENSES[name]
    sharp_mm = extension_mm(lens.focal_mm, taped_mm + truth["setups_mm"][setup], lens.separation_mm)
    eye_um = rng.normal(0, PEOPLE[person] * lens.fnumber * COC_UM)
    scale_um = truth["scales_permille"][name] * sharp_mm
    error_um = truth["bodies_um"][body] + truth["lenses_um"][name] + scale_um + eye_um
    ring_mm = distance_mm(lens.focal_mm, sharp_mm - 1e-3 * error_um, lens.separation_mm)
    return float(ring_mm + rng.normal(0, READING_SD_MM * (taped_mm / (3 * FOOT_MM)) ** 2))


def judged(bench: Bench) -> Answer:
    """Judge a bench as the command does."""
    kit = parse_kit(bench.kit, name="kit.toml")
    file = parse_readings(bench.readings, name="readings.csv", kit=kit)
    prep = Prep(readings=file.readings, bodies=kit.body_knowledge(), lenses=kit.lens_knowledge())
    return judge(prep)


def faults_found(answer: Answer) -> bool:
    """Whether the three faults are found, and nothing else is called out."""
    units = (*answer.bodies, *answer.lenses)
    out = {unit.name: unit.verdict for unit in units if unit.verdict in (Verdict.OUT_SHORT, Verdict.OUT_DEEP)}
    return (
        out == {BODY_FAULT[0]: Verdict.OUT_SHORT, LENS_FAULT[0]: Verdict.OUT_DEEP}
        and {setup.name for setup in answer.setups if setup.p_out > 0.8} == {SETUP_FAULT[0]}
        and not any(lens.p_scale_out > 0.7 for lens in answer.lenses)
    )


def doubted_lines(answer: Answer) -> set[int]:
    """Lines of the readings that lost their say."""
    return {reading.line for reading in answer.readings if reading.weight < 0.3}


def main() -> None:
    """Judge all benches, write the one that is kept, and say in its note how usual it is."""
    benches = [make(seed) for seed in range(1, SEEDS + 1)]
    answers = [judged(bench) for bench in benches]
    found = sum(map(faults_found, answers))
    blunders = [set(bench.truth["blunder_lines"]) for bench in benches]
    doubted = [doubted_lines(answer) for answer in answers]
    both = sum(wrong <= lines for wrong, lines in zip(blunders, doubted, strict=True))
    more = sum(bool(lines - wrong) for wrong, lines in zip(blunders, doubted, strict=True))
    kept = benches[KEPT - 1]
    note = (
        f"Of {SEEDS} benches drawn in this way (benchmarks/demo_bench.py; shown is number {KEPT}, where all "
        f"is found) all three faults are found, and nothing else called out, on {found}. Both blunders are "
        f"doubted on {both}; on {more} some other reading is doubted too. Invented data."
    )
    print(note)
    FOLDER.mkdir(exist_ok=True)
    (FOLDER / "readings.csv").write_text(kept.readings, encoding="utf-8")
    (FOLDER / "kit.toml").write_text(kept.kit, encoding="utf-8")
    text = json.dumps({"note": note} | kept.truth, indent=1, ensure_ascii=False)
    (FOLDER / "truth.json").write_text(f"{text}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
