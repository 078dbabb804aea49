"""What can be reached by eye, or by picture, at the start of a prep: before the first reading."""

import hashlib
import math
import pickle
import threading
from dataclasses import dataclass, replace

from shimwise.bench.house.unit_knowledge import body_knowledge, lens_knowledge
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.verdict_views import next_views
from shimwise.bench.prep.views import NextView
from shimwise.bench.verdict.prep_memory import prior_of
from shimwise.errors import InferenceError, OpticsError
from shimwise.inference.model.prep import Prep
from shimwise.inference.verdict.answer import NextReading
from shimwise.record.record import Record

MOST_BODIES, MOST_LENSES = 10, 12
"""A plan takes the process that serves the pages 5 s for 20 units, minutes for 60. Of more lenses only the
shortest are in it: what a ring adds grows as the square of the focal length, so they show most of a body."""
MOST_KEPT = 64
_ONE_AT_A_TIME = threading.Lock()
_KEPT: dict[bytes, "tuple[PrepReach, tuple[NextReading, ...]] | None"] = {}
"""What was planned last, by what it was planned for: every device that opens the prep asks for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepReach:
    """What readings by eye, or landings by picture, reach on the bodies of a prep: numbers [µm, 95 %], words.

    ``count`` readings bring every body to ±``half_um``; readings without end to ±``limit_um``. ``help``: what
    would bring them nearer, a sentence for each body; empty where the tolerance is reached. The plan has
    ``lens_count`` of the prep's ``of_lenses`` lenses. ``landings``: by picture, each that is to be taken.
    """

    tolerance_um: float
    is_reached: bool
    count: int
    half_um: float
    limit_um: float
    sentence: str
    help: tuple[str, ...]
    lens_count: int
    of_lenses: int
    landings: tuple[NextView, ...] = ()


def reach_of(record: Record, prep_id: str, *, is_by_picture: bool = False) -> PrepReach | None:
    """Return what the units of a prep allow, by what the house knows of them; None if nothing can be planned.

    By eye, or by picture with the landings to take. Nothing can with more bodies than ``MOST_BODIES``; of
    more lenses than ``MOST_LENSES`` the shortest are planned with.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        if len(material.bodies) > MOST_BODIES:
            return None
        of_lenses = len(material.lenses)
        shortest = sorted(material.lenses.values(), key=lambda lens: min(lens.focal_lengths_mm, default=0.0))[
            :MOST_LENSES
        ]
        planned = {lens.id for lens in shortest}
        lenses = {lens_id: lens for lens_id, lens in material.lenses.items() if lens_id in planned}
        material = replace(material, lenses=lenses)
        history = prior_of(connection, material)
    prep = Prep(
        readings=(),
        bodies={one.name: body_knowledge(one, house=material.house) for one in material.bodies.values()},
        lenses={one.name: lens_knowledge(one) for one in material.lenses.values()},
        tolerance_um=material.tolerance_um,
        history=history,
    )
    asked = hashlib.sha256(pickle.dumps((prep, of_lenses, is_by_picture))).digest()
    with _ONE_AT_A_TIME:
        if asked not in _KEPT:
            if len(_KEPT) >= MOST_KEPT:
                _KEPT.clear()
            _KEPT[asked] = _planned(prep, of_lenses=of_lenses, is_by_picture=is_by_picture)
        found = _KEPT[asked]
    if found is None:
        return None
    reach, planned_readings = found
    return replace(reach, landings=next_views(material, planned_readings))


def _planned(
    prep: Prep, *, of_lenses: int, is_by_picture: bool
) -> tuple[PrepReach, tuple[NextReading, ...]] | None:
    from shimwise.inference.plan.planner import plan_check
    from shimwise.sheets.words.plan_words import plan_help, reach_text, setups_of

    target_um = prep.tolerance_um
    try:
        plan = plan_check(
            prep,
            target_um=target_um,
            bodies=tuple(prep.bodies),
            has_rule=False,
            is_by_picture=is_by_picture,
        )
    except (InferenceError, OpticsError):
        return None
    landings = tuple(
        NextReading(
            body=one.body,
            lens=one.lens,
            distance_mm=one.distance_mm,
            sd_after_um=math.nan,
            focal_mm=one.focal_mm if len(prep.lenses[one.lens].focal_lengths_mm) > 1 else None,
            by_picture=True,
        )
        for at_one in (setups_of(plan).values() if is_by_picture else ())
        for one in at_one
        for _ in range(one.repeats)
    )
    reach = PrepReach(
        tolerance_um=target_um,
        is_reached=plan.is_reached,
        count=plan.count,
        half_um=max(one.half_width_um for one in plan.bodies),
        limit_um=max(one.limit_um for one in plan.bodies),
        sentence=reach_text(plan),
        help=plan_help(plan),
        lens_count=len(prep.lenses),
        of_lenses=of_lenses,
    )
    return reach, landings
