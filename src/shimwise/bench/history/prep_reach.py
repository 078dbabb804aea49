"""What can be reached by eye at the start of a prep, and what would help: before the first reading."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimwise.bench.house.unit_knowledge import body_knowledge, lens_knowledge
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.verdict.prep_memory import prior_of
from shimwise.errors import InferenceError, OpticsError
from shimwise.inference.model.prep import Prep

if TYPE_CHECKING:
    from shimwise.record.record import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class PrepReach:
    """What readings by eye reach on the bodies of a prep, in numbers [µm, 95 %] and words.

    ``count`` readings bring every body to ±``half_um``; readings without end to ±``limit_um``. ``help``: what
    would bring them nearer, a sentence for each body; empty where the tolerance is reached.
    """

    tolerance_um: float
    is_reached: bool
    count: int
    half_um: float
    limit_um: float
    sentence: str
    help: tuple[str, ...]


def reach_of(record: "Record", prep_id: str) -> PrepReach | None:
    """Return what the units of a prep allow, by what the house knows of them; None if nothing can be planned.

    Raises
    ------
    NotFound
        If there is no such prep.
    """
    from shimwise.inference.plan.planner import plan_check
    from shimwise.sheets.words.plan_words import plan_help, reach_text

    with record.reading() as connection:
        material = material_of(connection, prep_id)
        history = prior_of(connection, material)
    prep = Prep(
        readings=(),
        bodies={one.name: body_knowledge(one, house=material.house) for one in material.bodies.values()},
        lenses={one.name: lens_knowledge(one) for one in material.lenses.values()},
        tolerance_um=material.tolerance_um,
        history=history,
    )
    try:
        plan = plan_check(prep, target_um=material.tolerance_um, bodies=tuple(prep.bodies))
    except (InferenceError, OpticsError):
        return None
    return PrepReach(
        tolerance_um=material.tolerance_um,
        is_reached=plan.is_reached,
        count=plan.count,
        half_um=max(one.half_width_um for one in plan.bodies),
        limit_um=max(one.limit_um for one in plan.bodies),
        sentence=reach_text(plan),
        help=plan_help(plan),
    )
