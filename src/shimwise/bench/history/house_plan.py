"""Plan a check from what the house keeps: bodies and a set go in, what to tape and read comes out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from shimwise.bench.desk.plan import DEFAULT_TARGET_UM as DEFAULT_TARGET_UM
from shimwise.bench.desk.plan import LARGEST_TARGET_UM
from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import settings_in
from shimwise.bench.house.unit_knowledge import body_knowledge, lens_knowledge, lens_text
from shimwise.bench.prep.verdict_views import distance_words
from shimwise.bench.typed_lengths import typed_distance
from shimwise.fields import build_from
from shimwise.inference.model.candidates import USUAL_DISTANCES_MM
from shimwise.inference.model.prep import Prep
from shimwise.record.queries import sets, units
from shimwise.record.record import Connection, Record
from shimwise.record.tables.rows import BodyRow, LensRow


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanReading:
    """A lens to be read so many times; ``sight``: its focal length or axis, where it has several."""

    lens: str
    lens_text: str
    sight: str
    repeats: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSetup:
    """A body and a distance to tape, and the lenses to read there."""

    body: str
    distance_text: str
    readings: tuple[PlanReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBody:
    """Half the 95 % interval that the plan leaves on a body, in 9 of 10 preps and in the middle one. [µm]

    ``limit_um``: the best that more readings could leave.
    """

    name: str
    half_um: float
    median_um: float
    limit_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePlan:
    """A plan: its sentence, the set-ups in order, what it reaches on each body, and what would help."""

    headline: str
    is_reached: bool
    count: int
    setups: tuple[PlanSetup, ...]
    bodies: tuple[PlanBody, ...]
    help: tuple[str, ...]
    habits: tuple[str, ...]
    is_by_picture: bool = False


def plan_house(
    record: Record,
    *,
    body_ids: Sequence[str],
    set_id: str = "",
    lens_ids: Sequence[str] = (),
    target_um: float = DEFAULT_TARGET_UM,
    distances: Sequence[str] = (),
    is_by_picture: bool = False,
) -> HousePlan:
    """Plan the readings that make every body known to ±``target_um`` (95 %).

    Parameters
    ----------
    body_ids : sequence of str
        Bodies to be checked.
    set_id, lens_ids
        Lenses at hand: those of a set, and single ones.
    target_um : float
        95 % half width wanted on every body. [µm]
    distances : sequence of str
        Where a chart can be taped, as a technician writes it; 3, 6 and 12 ft when empty.
    is_by_picture : bool
        Whether landings are measured by picture, not read by eye.

    Raises
    ------
    InputError
        If nothing is chosen, the target is impossible, or a distance is none.
    NotFound
        If a unit or the set is not there.
    InferenceError
        If there is nothing to plan with.
    """
    from shimwise.inference.plan.planner import plan_check
    from shimwise.sheets.words.plan_words import (
        plan_habits,
        plan_headline,
        plan_help,
        plan_pictures,
        setups_of,
        sight_text,
    )

    if not 0 < target_um <= LARGEST_TARGET_UM:
        reason = f"is no target: give one above 0 and up to {LARGEST_TARGET_UM:g} µm, such as 5."
        raise InputError(reason, field="target_um", typed=f"{target_um:g}")
    typed = {
        taped.mm: taped.text for taped in (typed_distance(text, field="distances") for text in distances)
    }
    bodies, lenses, prep, house_units = _known(record, body_ids, set_id, lens_ids)
    plan = plan_check(
        prep,
        target_um=target_um,
        bodies=tuple(body.name for body in bodies),
        distances_mm=tuple(sorted(typed)) or USUAL_DISTANCES_MM,
        is_by_picture=is_by_picture,
    )
    write = distance_words(house_units)
    wanted_mm = dict.fromkeys(one.distance_mm for one in plan.readings)
    distances_text = {at_mm: typed.get(at_mm) or write(at_mm) for at_mm in wanted_mm}
    texts = {lens.name: lens_text(lens) for lens in lenses}
    return build_from(
        HousePlan,
        plan,
        headline=plan_headline(plan),
        setups=tuple(
            PlanSetup(
                body=body,
                distance_text=distances_text[distance_mm],
                readings=tuple(
                    build_from(
                        PlanReading,
                        one,
                        lens_text=texts.get(one.lens, ""),
                        sight=sight_text(one, plan),
                    )
                    for one in readings
                ),
            )
            for (body, distance_mm), readings in setups_of(plan).items()
        ),
        bodies=tuple(build_from(PlanBody, one, half_um=one.half_width_um) for one in plan.bodies),
        help=plan_help(plan),
        habits=(*plan_habits(plan, distances_text), *plan_pictures(plan)),
        is_by_picture=is_by_picture,
    )


def _add_history(
    connection: Connection, bodies: list[BodyRow], lenses: list[LensRow], *, at: datetime
) -> None:
    """Put in the units' rows what a job that starts now may know of them."""
    from shimwise.bench.house.unit_memory import alone_at

    known = alone_at(connection, (*bodies, *lenses), at=at)
    for place, body in enumerate(bodies):
        mean_um, sd_um = known[body.id]
        bodies[place] = replace(body, history_mean_um=mean_um, history_sd_um=sd_um)
    for place, lens in enumerate(lenses):
        mean_um, sd_um = known[lens.id]
        lenses[place] = replace(lens, history_mean_um=mean_um, history_sd_um=sd_um)


def _known(
    record: Record, body_ids: Sequence[str], set_id: str, lens_ids: Sequence[str]
) -> tuple[list[BodyRow], list[LensRow], Prep, str]:
    """Look up the units, and what the judge may know of them."""
    if not body_ids:
        raise InputError("Choose at least one body to plan for.", field="body_ids")
    with record.reading() as connection:
        house = settings_in(connection)
        bodies = [units.unit(connection, BodyRow, body_id) for body_id in dict.fromkeys(body_ids)]
        wanted = [*(sets.set_of(connection, set_id).lens_ids if set_id else ()), *lens_ids]
        lenses = [units.unit(connection, LensRow, lens_id) for lens_id in dict.fromkeys(wanted)]
        _add_history(connection, bodies, lenses, at=record.clock())
    if not lenses:
        raise InputError("Choose a set, or at least one lens, to plan with.", field="set_id")
    prep = Prep(
        readings=(),
        bodies={body.name: body_knowledge(body, house=house) for body in bodies},
        lenses={lens.name: lens_knowledge(lens) for lens in lenses},
        tolerance_um=house.tolerance_um,
    )
    return bodies, lenses, prep, house.units
