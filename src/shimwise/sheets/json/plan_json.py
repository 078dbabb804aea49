"""The plan as JSON, ``shimwise.plan/2``, for programs; its schema lies beside this module.

``/2`` is all of ``/1`` and ``notices``; the schema takes both.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from shimwise.inference.plan.planner import Plan
from shimwise.inference.verdict.answer import NextReading
from shimwise.notices import Notice
from shimwise.sheets.json.documents import standard
from shimwise.sheets.words.notices import notice_json, notice_texts
from shimwise.sheets.words.plan_words import plan_help, tape_text

SCHEMA_ID = "shimwise.plan/2"
PLACES = 3
"""Decimals written: a nanometre of an error, a micron of a distance."""


def plan_to_json(
    plan: Plan,
    *,
    next_readings: Sequence[NextReading] = (),
    typed_distances: Mapping[float, str] | None = None,
    notices: Sequence[Notice] = (),
) -> dict[str, Any]:
    """Return a plan as an object of standard JSON.

    Parameters
    ----------
    plan : Plan
        What is to be read.
    next_readings : sequence of NextReading
        What decides most of the units that are not decided yet.
    typed_distances : mapping of float to str, optional
        Distances [mm] as the person wrote them.
    notices : sequence of Notice
        Of the files; ``warnings`` are their sentences.

    Returns
    -------
    dict
        As in ``plan.schema.json``; an infinite distance is None.
    """
    typed = typed_distances or {}
    document = {
        "schema": SCHEMA_ID,
        "target_um": plan.target_um,
        "reached": plan.is_reached,
        "count": plan.count,
        "readings": [
            {
                "body": reading.body,
                "lens": reading.lens,
                "focal_length_mm": reading.focal_mm,
                "distance_mm": reading.distance_mm,
                "distance_text": tape_text(reading.distance_mm, typed),
                "repeats": reading.repeats,
            }
            for reading in plan.readings
        ],
        "bodies": [asdict(body) for body in plan.bodies],
        "rule_um": plan.rule_um,
        "by_picture": plan.is_by_picture,
        "picture_worth": [{"lens": lens, "readings": times} for lens, times in plan.worth.items()],
        "next": [
            {
                "body": one.body,
                "lens": one.lens,
                "distance_mm": one.distance_mm,
                "sd_after_um": one.sd_after_um,
                "by_picture": one.by_picture,
                "focal_mm": one.focal_mm,
            }
            for one in next_readings
        ],
        "help": list(plan_help(plan)),
        "warnings": notice_texts(notices),
        "notices": [notice_json(one) for one in notices],
    }
    written: dict[str, Any] = standard(document, PLACES)
    return written
