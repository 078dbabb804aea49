"""What the tests of whole commands share: the command in its own process, and readings to give it."""

import csv
import io
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from child_process import ends_with_the_tests
from shimwise.sheets.json.documents import schema

Run = Callable[..., tuple[int, str, str]]
Ask = Callable[..., tuple[int, Any]]
Save = Callable[..., Path]
"""What the fixtures ``run``, ``ask`` and ``save`` are."""

REFERENCE = Path(__file__).parents[1] / "reference"
BENCH_1 = REFERENCE / "bench-1"
HEADER = ("body", "lens", "focal_length_mm", "f_number", "distance", "reading", "operator", "setup")
FOOT_MM = 304.8


def shimwise(
    *words: str | Path,
    stdin: bytes | None = None,
    cwd: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> subprocess.CompletedProcess[bytes]:
    """Run the command in a process of its own, as a person's shell does, without a terminal."""
    return subprocess.run(
        ends_with_the_tests(sys.executable, "-m", "shimwise", *map(str, words)),
        input=stdin,
        stdin=None if stdin is not None else subprocess.DEVNULL,
        capture_output=True,
        cwd=cwd,
        env=os.environ | dict(environment or {}),
        timeout=120,
        check=False,
    )


def csv_text(
    rows: Iterable[Iterable[object]], *, header: Iterable[str] = HEADER, delimiter: str = ","
) -> str:
    """Write rows as a CSV with its header."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter)
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue()


def ring_mm(*, focal_mm: float, distance_mm: float, landing_um: float) -> float:
    """Where the ring stands for a landing, by Newton's x x' = f² with principal planes that coincide. [mm]

    Of a body 20 µm short the picture of the chart lies 20 µm behind the sensor: the ring has to come nearer.
    """
    gap = distance_mm - 2 * focal_mm
    extension = (gap - math.sqrt(gap * gap - 4 * focal_mm * focal_mm)) / 2 - 1e-3 * landing_um
    return math.inf if extension <= 0 else 2 * focal_mm + extension + focal_mm * focal_mm / extension


def exact_rows(
    *,
    landing_um: float,
    focals_mm: Iterable[float],
    body: str = "B1",
    feet: Iterable[float] = (3, 6, 12),
    repeats: int = 3,
    lens: str | None = None,
) -> list[list[object]]:
    """Readings without any error of eye, ring or tape: every one lands where it is told."""
    return [
        [
            body,
            lens or f"L{focal:g}",
            f"{focal:g}",
            "2",
            f"{d * FOOT_MM:.4f} mm",
            f"{ring:.4f} mm",
            "op",
            f"{body}-{d:g}ft",
        ]
        for d in feet
        for focal in focals_mm
        for ring in [ring_mm(focal_mm=focal, distance_mm=d * FOOT_MM, landing_um=landing_um)]
        for _ in range(repeats)
    ]


def strict_json(text: str | bytes) -> Any:  # noqa: ANN401 (JSON)
    """Read a verdict or a plan; refuse what is no standard JSON, and what its schema does not allow."""

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is not JSON")

    document = json.loads(text, parse_constant=refuse)
    schemas = {
        "shimwise.verdict/2": "verdict",
        "shimwise.plan/2": "plan",
        "shimwise.sweep/2": "sweep",
    }
    Draft202012Validator(schema(schemas[document["schema"]])).validate(document)
    return document


def unit(document: Any, kind: str, name: str) -> Any:  # noqa: ANN401 (JSON)
    """Give the entry of a list, such as ``bodies``, that has this name."""
    return next(one for one in document[kind] if one["name"] == name)
