"""An invented house, entered through the interface as a stock system would."""

import uuid
from dataclasses import dataclass
from typing import Any

from benchmarks.web.http_line import HttpLine

__all__ = ["BenchPrep", "new_id", "new_prep", "reading"]

WHO = "the load"
FOCALS_MM = (18.0, 25.0, 35.0, 50.0, 75.0, 100.0)
TAPED = ("3'", "6'", "12'")
READ = {
    "3'": ("2' 11 7/8\"", "3'", "3' 1/16\"", "2' 11 3/4\""),
    "6'": ("5' 11 3/4\"", "6'", "6' 1/4\"", "5' 11 1/2\""),
    "12'": ("11' 11\"", "12'", "12' 1\"", "12' 1/2\""),
}


@dataclass(frozen=True, kw_only=True)
class BenchPrep:
    """A prep of one body and six lenses at three distances."""

    id: str
    body_id: str
    lens_ids: tuple[str, ...]
    setup_ids: dict[str, str]


def new_id() -> str:
    """Make an id as a client does."""
    return uuid.uuid4().hex


async def new_prep(line: HttpLine, name: str) -> BenchPrep:
    """Enter a body, six lenses and a prep with three set-ups."""
    body = await _made(line, "/api/v1/bodies", {"name": f"B-{name}", "who": WHO})
    lens_ids = tuple(
        [
            await _made(
                line,
                "/api/v1/lenses",
                {
                    "name": f"L-{name}-{focal_mm:g}",
                    "focal_lengths_mm": [focal_mm],
                    "fnumber": 2.0,
                    "history_mean_um": 0.0,
                    "history_sd_um": 5.0,
                    "who": WHO,
                },
            )
            for focal_mm in FOCALS_MM
        ]
    )
    prep = await _made(
        line, "/api/v1/preps", {"body_ids": [body], "lens_ids": list(lens_ids), "title": name, "who": WHO}
    )
    setups = {
        taped: await _made(
            line,
            f"/api/v1/preps/{prep}/setups",
            {"body_id": body, "distance_text": taped, "name": f"{name} {taped}", "who": WHO},
        )
        for taped in TAPED
    }
    return BenchPrep(id=prep, body_id=body, lens_ids=lens_ids, setup_ids=setups)


def reading(prep: BenchPrep, count: int) -> dict[str, Any]:
    """Make the ``count``-th reading of a prep: lenses and distances in turn."""
    taped = TAPED[count // len(prep.lens_ids) % len(TAPED)]
    return {
        "id": new_id(),
        "body_id": prep.body_id,
        "lens_id": prep.lens_ids[count % len(prep.lens_ids)],
        "setup_id": prep.setup_ids[taped],
        "reading_text": READ[taped][(7 * count) % 4],
        "operator": WHO,
    }


async def _made(line: HttpLine, path: str, said: dict[str, Any]) -> str:
    answer = await line.post(path, {"id": new_id(), **said})
    if answer.status not in {200, 201}:
        raise RuntimeError(f"{path} answered {answer.status}: {answer.body.decode()[:500]}")
    return str(answer.json["id"])
