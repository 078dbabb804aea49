"""Make the landings by picture of ``shimwise demo``: the invented bench again, in two dozen landings.

The bench is that of :mod:`benchmarks.demo_bench`, its truth and its kit. Landings are taken as ``plan
--by-picture`` asks for them, then as the verdict says next, until all is decided or two dozen are taken. How
usual the draw is that was kept, is said in ``truth-pictures.json``.

    python -m benchmarks.demo_pictures [--seeds 9]
"""

import argparse
import csv
import io
import json
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from benchmarks.demo_bench import FOLDER, LENSES
from benchmarks.prep_simulator import FOOT_MM, extension_mm
from shimwise.bench.desk.judge import judge_file, verdict_json
from shimwise.bench.desk.plan import plan_file, plan_json

MOST = 24
SETTING_MM, SEAT_UM, METER_UM, STATED_UM = 0.6, 1.5, 0.6, 0.9
"""Ring set at 3 ft, growing as D²; seat; the meter's error, and the sd that it states: common practice, and
measured on simulated feeds."""
KEPT = 1
DECIDED = {"in_tolerance", "out_short", "out_deep"}
HEADER = (
    *("body", "lens", "focal_length_mm", "f_number", "distance", "setup"),
    *("landing_um", "landing_sd_um", "setting"),
)


@dataclass
class Bench:
    """The bench and what was taken of it."""

    truth: dict[str, Any]
    kit: Path
    rng: np.random.Generator
    rows: list[list[str]] = field(default_factory=list)

    def take(self, body: str, lens: str, feet: int) -> None:
        """Take a landing, the lens locked and the ring set anew."""
        glass, taped_mm, setup = LENSES[lens], feet * FOOT_MM, f"{body} at {feet} ft"
        at = taped_mm + self.rng.normal(0, SETTING_MM * (feet / 3) ** 2)
        ring = extension_mm(glass.focal_mm, at, glass.separation_mm)
        chart = taped_mm + self.truth["setups_mm"][setup]
        sharp = extension_mm(glass.focal_mm, chart, glass.separation_mm)
        units_um = self.truth["bodies_um"][body] + self.truth["lenses_um"][lens]
        units_um += self.truth["scales_permille"][lens] * sharp
        landing_um = units_um + 1e3 * (ring - sharp) + self.rng.normal(0, np.hypot(SEAT_UM, METER_UM))
        sd_um = STATED_UM * max(1.0, glass.fnumber / 2)
        facts = [body, lens, f"{glass.focal_mm:g}", f"{glass.fnumber:g}", f"{feet}'", setup]
        self.rows.append([*facts, f"{landing_um:.1f}", f"{sd_um:.1f}", str(len(self.rows) + 1)])

    @property
    def text(self) -> str:
        """The readings file."""
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows([HEADER, *self.rows])
        return out.getvalue()

    def verdict(self) -> dict[str, Any]:
        """Return what is said of it."""
        return verdict_json(judge_file(self.text.encode(), kit_path=self.kit))


def taken(seed: int, kit: Path, truth: dict[str, Any]) -> tuple[Bench, dict[str, Any]]:
    """Take a prep; return it with its verdict."""
    bench = Bench(truth, kit, np.random.default_rng(seed))
    for one in plan_json(plan_file(kit_path=kit, is_by_picture=True))["readings"]:
        for _ in range(one["repeats"]):
            bench.take(one["body"], one["lens"], round(one["distance_mm"] / FOOT_MM))
    while True:
        verdict = bench.verdict()
        units = [one["verdict"] in DECIDED for kind in ("bodies", "lenses", "pairs") for one in verdict[kind]]
        if len(bench.rows) >= MOST or all(units) or not verdict["next"]:
            return bench, verdict
        best = verdict["next"][0]
        bench.take(best["body"], best["lens"], round(best["distance_mm"] / FOOT_MM))


def is_found(verdict: dict[str, Any]) -> bool:
    """Whether body and lens at fault are called out, on their side, and nothing else is."""
    out = {one["name"]: one["verdict"] for kind in ("bodies", "lenses") for one in verdict[kind]}
    return {name: what for name, what in out.items() if what.startswith("out")} == {
        "A-07": "out_short",
        "H40": "out_deep",
    }


def main() -> None:
    """Keep the draw, and say how usual it is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=9)
    arguments = parser.parse_args()
    bench_text = (FOLDER / "truth.json").read_text(encoding="utf-8")
    truth, found, decided = json.loads(bench_text), 0, list[float]()
    with TemporaryDirectory() as name:
        kit = Path(name) / "kit.toml"
        kit.write_bytes((FOLDER / "kit.toml").read_bytes())
        for seed in range(arguments.seeds):
            bench, verdict = taken(seed, kit, truth)
            found += is_found(verdict)
            units = [*verdict["bodies"], *verdict["lenses"]]
            decided.append(float(np.mean([one["verdict"] in DECIDED for one in units])))
            print(
                seed,
                is_found(verdict),
                len(bench.rows),
                f"{decided[-1]:.2f}",
                verdict["headline"],
                flush=True,
            )
            if seed == KEPT:
                (FOLDER / "pictures.csv").write_text(bench.text, encoding="utf-8")
    note = (
        f"Of {arguments.seeds} preps drawn in this way (benchmarks/demo_pictures.py; shown is number {KEPT}) "
        f"body and lens at fault are called out, and nothing else, in {found}; "
        f"{100 * np.mean(decided):.0f} % of the units are decided. Invented data."
    )
    kept = {"note": note, "seed": KEPT}
    (FOLDER / "truth-pictures.json").write_text(
        json.dumps(kept, ensure_ascii=False, indent=1) + "\n", encoding="utf-8"
    )
    print(note)


if __name__ == "__main__":
    main()
