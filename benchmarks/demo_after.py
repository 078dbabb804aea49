"""Make what follows on the invented bench of ``shimwise demo``: readings after its screw was turned.

The bench of :mod:`benchmarks.demo_bench` is taken into a record, its body adjusted as the guide says, and
read again: body A-07 at set-ups taped anew, and the set-up A-12 at 6 ft taped anew; lens H40 stays as it is.
What the turn made is drawn: the screw's travel, the hand on the key, the seat. How usual the draw is that was
kept, is said in ``truth-after.json``.

    python -m benchmarks.demo_after
"""

import csv
import io
import json
import shutil
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from benchmarks.demo_bench import FOLDER, HEADER, LENSES, PEOPLE, TAPES_FT, read_once
from benchmarks.prep_simulator import FOOT_MM, rounded_mm
from shimwise.bench.adjust.guide import adjustments, answer_step, begin_adjustment, finish_adjustment
from shimwise.bench.exchange.import_readings import import_readings
from shimwise.bench.prep.preps import open_prep
from shimwise.bench.verdict.verdict import current_verdict
from shimwise.lengths import mm_to_feet_text
from shimwise.record.record import Record

SEEDS, KEPT = 100, 4
"""Draws made to see how usual the one kept is: one turn is enough in it, and one lens is left undecided."""
BODY, AGAIN = "A-07", "taped anew"
TRAVEL_UM, TRAVEL_SD_UM = 350.0, 15.0
"""The screw as the kit has it; its play is taken up before the turns count, as the guide asks."""
ANGLE_SD_TURNS, SEAT_SD_UM = 1.5 / 360, 1.0
"""The hand on the key and how the sensor comes to rest (chosen by us, as benchmarks/repairs.py has them)."""
TAPE_SD_MM = 1.2
WHO = "technician"
ANSWERS = {
    "consent": "R. Okafor, owner",
    "clean": "done",
    "lock": "was free",
    "place": "a line of paint on the head",
    "move": "done",
    "lock after": "set",
    "mark": "done",
    "flag": "done",
}
READ = (
    *((BODY, tape, lens) for tape in ("3 ft", "6 ft") for lens in LENSES),
    *(("A-12", "6 ft", lens) for lens in LENSES),
)
"""Body, distance and lens; each is read once by each person."""


class After(NamedTuple):
    """The readings file, and what is true."""

    readings: str
    truth: dict[str, Any]


def adjusted_record(folder: Path) -> tuple[str, float]:
    """Take the bench into a record and adjust its body as the guide says; gives the prep and the turns."""
    with Record.open(folder) as record:
        data = (FOLDER / "readings.csv").read_bytes()
        prep_id = import_readings(record, data, who=WHO, kit_path=FOLDER / "kit.toml").prep_id
        body = next(one for one in open_prep(record, prep_id).bodies if one.name == BODY)
        view = begin_adjustment(record, prep_id, unit_kind="body", unit_id=body.id, who=WHO)
        while view.now is not None:
            answer = ANSWERS[view.now.id]
            view = answer_step(record, prep_id, view.id, step=view.now.id, answer=answer, who=WHO)
        view = finish_adjustment(record, prep_id, view.id, who=WHO)
        turns = next(iter(adjustments(record, prep_id))).move.turns
        assert turns is not None
        return prep_id, turns


def make(seed: int, *, turns: float) -> After:
    """Draw what the turn made, and read again."""
    rng = np.random.default_rng([20261126, seed])
    truth = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
    travel_um = float(rng.normal(TRAVEL_UM, TRAVEL_SD_UM))
    made_um = travel_um * (turns + rng.normal(0, ANGLE_SD_TURNS)) + rng.normal(0, SEAT_SD_UM)
    truth["bodies_um"][BODY] = round(truth["bodies_um"][BODY] + float(made_um), 2)
    for body, tape, _ in READ:
        name = f"{body} at {tape}, {AGAIN}"
        if name not in truth["setups_mm"]:
            truth["setups_mm"][name] = round(float(rng.normal(0, TAPE_SD_MM)), 2)
    told = {
        "turns": round(turns, 4),
        "made_um": round(float(made_um), 2),
        "bodies_um": {BODY: truth["bodies_um"][BODY]},
        "setups_mm": {name: mm for name, mm in truth["setups_mm"].items() if AGAIN in name},
        "seed": seed,
    }
    return After(_read_all(rng, truth), told)


def _read_all(rng: np.random.Generator, truth: dict[str, Any]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for body, tape, name in READ:
        taped_mm, setup, lens = TAPES_FT[tape] * FOOT_MM, f"{body} at {tape}, {AGAIN}", LENSES[name]
        for person in PEOPLE:
            ring_mm = rounded_mm(read_once(rng, truth, body, name, taped_mm, setup, person))
            lengths = (mm_to_feet_text(taped_mm), mm_to_feet_text(ring_mm, denominator=4))
            writer.writerow([body, name, f"{lens.focal_mm:g}", f"{lens.fnumber:g}", *lengths, person, setup])
    return out.getvalue()


def judged(after: After, record: Path, prep_id: str) -> dict[str, Any]:
    """Take the readings into a copy of the adjusted record, and judge; gives the verdict's document."""
    with tempfile.TemporaryDirectory() as folder:
        copy = shutil.copytree(record, Path(folder) / "record")
        with Record.open(copy) as opened:
            import_readings(opened, after.readings.encode(), who=WHO, prep_id=prep_id)
            return dict(current_verdict(opened, prep_id).document)


def main() -> None:
    """Judge all draws, write the one that is kept, and say in its note how usual it is."""
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "record"
        prep_id, turns = adjusted_record(record)
        draws = [make(seed, turns=turns) for seed in range(1, SEEDS + 1)]
        documents = [judged(draw, record, prep_id) for draw in draws]
    lines = [next(line for line in one["bodies"] if line["name"] == BODY) for one in documents]
    truths = [draw.truth["bodies_um"][BODY] for draw in draws]
    held = sum(line["low_um"] <= um <= line["high_um"] for line, um in zip(lines, truths, strict=True))
    decided = sum(line["verdict"] == "in_tolerance" for line in lines)
    within = sum(abs(um) <= 10 for um in truths)
    note = (
        f"Of {SEEDS} turns and readings drawn in this way (benchmarks/demo_after.py; shown is number {KEPT}) "
        f"the turn left {BODY} truly within ±10 µm on {within}, it was judged in tolerance at once on "
        f"{decided}, and its 95 % interval held the truth on {held}. Invented data."
    )
    print(note)
    kept = draws[KEPT - 1]
    (FOLDER / "readings-after.csv").write_text(kept.readings, encoding="utf-8")
    text = json.dumps({"note": note} | kept.truth, indent=1, ensure_ascii=False)
    (FOLDER / "truth-after.json").write_text(f"{text}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
