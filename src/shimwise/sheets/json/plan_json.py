"""The plan as JSON, ``shimwise.plan/1``, for programs; its schema lies beside this module."""

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from shimwise.inference.plan.planner import Plan
from shimwise.inference.verdict.answer import NextReading
from shimwise.sheets.words.plan_words import plan_help, tape_text

__all__ = ["SCHEMA_ID", "plan_schema", "plan_to_json"]

SCHEMA_ID = "shimwise.plan/1"
PLACES = 3
"""Decimals written: a nanometre of an error, a micron of a distance."""


def plan_to_json(
    plan: Plan,
    *,
    next_readings: Sequence[NextReading] = (),
    typed_distances: Mapping[float, str] | None = None,
    warnings: Sequence[str] = (),
) -> dict[str, Any]:
    """Give a plan as an object of standard JSON.

    Parameters
    ----------
    plan : Plan
        What is to be read.
    next_readings : sequence of NextReading
        What says most of the units that are not decided yet.
    typed_distances : mapping of float to str, optional
        Distances [mm] as the person wrote them.
    warnings : sequence of str
        What is to be told of the files.

    Returns
    -------
    dict
        As ``plan.schema.json`` says; an infinite distance is None.
    """
    typed = typed_distances or {}
    return {
        "schema": SCHEMA_ID,
        "target_um": _finite(plan.target_um),
        "reached": plan.is_reached,
        "count": plan.count,
        "readings": [
            {
                "body": reading.body,
                "lens": reading.lens,
                "focal_length_mm": _finite(reading.focal_mm),
                "distance_mm": _finite(reading.distance_mm),
                "distance_text": tape_text(reading.distance_mm, typed),
                "repeats": reading.repeats,
            }
            for reading in plan.readings
        ],
        "bodies": [
            {
                "name": body.name,
                "half_width_um": _finite(body.half_width_um),
                "limit_um": _finite(body.limit_um),
            }
            for body in plan.bodies
        ],
        "next": [
            {
                "body": one.body,
                "lens": one.lens,
                "distance_mm": _finite(one.distance_mm),
                "sd_after_um": _finite(one.sd_after_um),
            }
            for one in next_readings
        ],
        "help": list(plan_help(plan)),
        "warnings": list(warnings),
    }


@cache
def plan_schema() -> dict[str, Any]:
    """Load the JSON Schema (draft 2020-12) of a plan."""
    text = files("shimwise.sheets.json").joinpath("plan.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def _finite(value: float) -> float | None:
    return round(float(value), PLACES) if math.isfinite(value) else None
