"""A prep document of invented units, as a record exports it: two bodies, eight lenses, readings, a sweep."""

import csv
import math
from copy import deepcopy
from functools import cache
from importlib.resources import files
from typing import Any

from shimwise.bench.desk.judge import judge_file, verdict_json
from shimwise.house_keys import house_key
from shimwise.lengths import length_to_mm
from shimwise.record.journal import GENESIS
from shimwise.sheets.papers.signed.canonical_json import digest_of
from shimwise.sheets.papers.signed.seal import sealed

WITHDRAWN = 7
FOCALS = {"H18": 18, "H21": 21, "H25": 25, "H32": 32, "H40": 40, "H50": 50, "H75": 75, "H100": 100}


def prep_document(*, readings: int = 60, with_sweep: bool = True) -> dict[str, Any]:
    """Give the invented prep with its first readings, and its verdict."""
    document = deepcopy(_whole())
    document["readings"] = (document["readings"] * 2)[:readings]
    for number, row in enumerate(document["readings"], 1):
        document["readings"][number - 1] = {**row, "id": f"r{number:03d}", "seq": number}
    verdict = document["verdicts"][0]["document"]
    verdict["readings"] = [row for row in verdict["readings"] if row["row"] in range(1, readings + 1)]
    verdict["readings"] = [row for row in verdict["readings"] if row["row"] != WITHDRAWN]
    if not with_sweep:
        document["sweeps"] = []
    return document


def signed_document(*, readings: int = 60, with_sweep: bool = True) -> dict[str, Any]:
    """Give the invented prep as it was signed."""
    document = prep_document(readings=readings, with_sweep=with_sweep)
    sign_off = {
        "id": "so1",
        "revision": 60,
        "signed_at": "2026-02-03T10:15:00+00:00",
        "signed_by": "technician",
        "digest": "",
        "exceptions": [
            {"unit_id": "lens-H40", "reason": "goes to the lens technician", "name": "technician"}
        ],
    }
    document["sign_offs"] = [sign_off]
    document["prep"]["state"] = "signed"
    sign_off["digest"] = digest_of(document)
    sign_off["seal"] = sealed(
        sign_off, prep_id=document["prep"]["id"], journal_seq=0, journal_head=GENESIS, key=house_key()
    )
    return document


@cache
def _whole() -> dict[str, Any]:
    bench = files("shimwise.bench.demo").joinpath("demo_bench")
    text = bench.joinpath("readings.csv").read_text(encoding="utf-8")
    judged = judge_file(text.encode(), kit_path=str(bench.joinpath("kit.toml")))
    verdict = verdict_json(judged)
    for number, reading in enumerate(verdict["readings"], 1):
        reading["row"] = number
    rows = list(csv.DictReader(text.splitlines()))
    return {
        "schema": "shimwise.prep/1",
        "prep": {
            "id": "0d4c5a1e9b7f4c2d8e6a3b1c5d7f9e0a",
            "title": "Prep for a demonstration",
            "started_at": "2026-02-03T08:10:00+00:00",
            "started_by": "technician",
            "state": "open",
            "closed_at": None,
            "temperature_c": 21.5,
            "note": "Invented data: no such units exist.",
            "set_id": "set-h",
            "tolerance_um": 10.0,
            "revision": 60,
            "body_ids": ["body-A-07", "body-A-12"],
            "lens_ids": [f"lens-{name}" for name in FOCALS],
        },
        "bodies": [_body("A-07"), _body("A-12")],
        "lenses": [_lens(name, focal) for name, focal in FOCALS.items()],
        "set": {
            "id": "set-h",
            "name": "H primes",
            "lens_ids": [f"lens-{name}" for name in FOCALS],
            "note": "",
        },
        "setups": _setups(rows),
        "readings": [_reading(number, row) for number, row in enumerate(rows, 1)],
        "gauges": [],
        "sweeps": [_sweep()],
        "verdicts": [
            {
                "id": "v1",
                "prep_id": "0d4c5a1e9b7f4c2d8e6a3b1c5d7f9e0a",
                "revision": 60,
                "given_at": "2026-02-03T09:55:00+00:00",
                "program_version": "0.1.0",
                "document": verdict,
                "headline": verdict["headline"],
            }
        ],
        "adjustments": [
            {
                "id": "a1",
                "unit_kind": "body",
                "unit_id": "body-A-12",
                "epoch_before": 0,
                "epoch_after": 1,
                "action": "move sensor",
                "amount_um": 12.0,
                "amount_sd_um": 1.5,
                "turns": 0.034,
                "note": "",
                "made_at": "2026-02-03T08:40:00+00:00",
                "made_by": "technician",
                "steps": [
                    {"event": "confirmed", "step": "lock", "answer": "released"},
                    {"event": "confirmed", "step": "lock after", "answer": "set"},
                ],
                "before": {"error_um": -13.0, "sd_um": 3.0},
                "after": {"error_um": -1.3, "sd_um": 2.5},
            }
        ],
        "sign_offs": [],
        "journal": [],
    }


def _body(name: str) -> dict[str, Any]:
    return {
        "id": f"body-{name}",
        "name": name,
        "serial": f"0{name[-2:]}1",
        "mount": "PL",
        "pixel_pitch_um": 5.0,
        "circle_of_confusion_um": 20.0,
        "mechanism": {"kind": "screw", "has_lock": True, "um_per_turn": 350.0},
        "epoch": 0,
    }


def _lens(name: str, focal: float) -> dict[str, Any]:
    return {
        "id": f"lens-{name}",
        "name": name,
        "serial": f"7{focal:03d}",
        "mount": "PL",
        "focal_lengths_mm": [float(focal)],
        "fnumber": 2.8 if focal == 100 else 2.0,
        "separation_mm": None,
        "squeeze": 1.0,
        "near_mm": 300.0 + 5 * focal,
        "scale_unit": "ft",
        "epoch": 0,
    }


def _setups(rows: list[dict[str, str]]) -> list[dict[str, Any]]:
    taped = {row["setup"]: row for row in rows}
    return [
        {
            "id": f"setup-{name}",
            "name": name,
            "body_id": f"body-{row['body']}",
            "distance_mm": _finite(length_to_mm(row["distance"])),
            "distance_text": row["distance"],
            "taped_by": "technician",
            "taped_at": "2026-02-03T08:20:00+00:00",
        }
        for name, row in taped.items()
    ]


def _reading(number: int, row: dict[str, str]) -> dict[str, Any]:
    return {
        "id": f"r{number:03d}",
        "setup_id": f"setup-{row['setup']}",
        "body_id": f"body-{row['body']}",
        "lens_id": f"lens-{row['lens']}",
        "focal_mm": float(row["focal_length_mm"]),
        "fnumber": float(row["f_number"]),
        "axis": None,
        "reading_mm": _finite(length_to_mm(row["reading"])),
        "reading_text": row["reading"],
        "operator": row["operator"],
        "stop": "",
        "note": "",
        "taken_at": f"2026-02-03T08:{30 + number // 4:02d}:00+00:00",
        "seq": number,
        "withdrawn_at": "2026-02-03T09:30:00+00:00" if number == WITHDRAWN else None,
        "withdrawn_by": "technician" if number == WITHDRAWN else None,
        "withdrawn_reason": "the lens was not seated" if number == WITHDRAWN else None,
    }


def _finite(mm: float) -> float | None:
    return mm if math.isfinite(mm) else None


def _sweep() -> dict[str, Any]:
    places = (("C", 2048.0, 1080.0), ("NW", 420.0, 260.0), ("NE", 3676.0, 260.0))
    places += (("SW", 420.0, 1900.0), ("SE", 3676.0, 1900.0))
    stars = [
        {
            "id": name,
            "x_px": x,
            "y_px": y,
            "best_um": 24.6 + 0.0011 * (x - 2048) + 0.0006 * (y - 1080),
            "sd_um": 0.6,
            "sagittal_um": None,
            "tangential_um": None,
        }
        for name, x, y in places
    ]
    return {
        "id": "s1",
        "setup_id": "setup-A-07 at 3 ft",
        "body_id": "body-A-07",
        "lens_id": "lens-H50",
        "landing_um": -24.6,
        "sd_um": 0.6,
        "taken_at": "2026-02-03T09:40:00+00:00",
        "taken_by": "technician",
        "withdrawn_at": None,
        "curves": [_curve(star) for star in stars],
        "result": {
            "schema": "shimwise.sweep/1",
            "best_um": 24.6,
            "sd_um": 0.6,
            "low_um": 23.3,
            "high_um": 25.9,
            "band_cy_mm": [20.0, 62.0],
            "w040_waves": 0.12,
            "stars": stars,
            "tilt": {
                "x_um": 4.5,
                "x_sd_um": 0.7,
                "y_um": 1.3,
                "y_sd_um": 0.7,
                "chart_yaw_deg": 0.2,
                "chart_pitch_deg": -0.1,
            },
            "magnification": 0.058,
            "landing_um": -24.6,
            "flags": [],
            "warnings": [],
            "swept": "sensor",
            "best_at_mm": None,
            "is_relative": False,
            "body": "A-07",
            "lens": "H50",
        },
    }


def _curve(star: dict[str, Any]) -> dict[str, Any]:
    at = [-60.0 + 10 * step for step in range(16)]

    def share(x_um: float) -> float:
        return round(math.exp(-(((x_um - star["best_um"]) / 42) ** 2)), 4)

    fine = [-60.0 + 2.5 * step for step in range(61)]
    noise = [0.012 * math.sin(7.1 * x) for x in at]
    return {
        "name": star["id"],
        "points": [[x, share(x) + n] for x, n in zip(at, noise, strict=True)],
        "fit": [[x, share(x)] for x in fine],
    }
