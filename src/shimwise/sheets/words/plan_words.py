"""A plan in words: its sentence, what limits it, and distances as a technician tapes them."""

from collections.abc import Mapping

from shimwise.inference.plan.planner import MOST_READINGS, Plan, PlannedReading
from shimwise.inference.verdict.datum import GAUGE_SD_UM, KNOWN_LENS_SD_UM, HalfWidthLimit
from shimwise.lengths import length_to_mm, mm_to_feet_text, mm_to_metric_text
from shimwise.number_format import decimal_text
from shimwise.sheets.words.shared import capital, counted, listed, plain, titled

EXACT_MM = 0.05
"""A distance is written in feet where a sixteenth of an inch comes this near to it. [mm]"""


def plan_headline(plan: Plan) -> str:
    """Return in one sentence what the plan reaches."""
    target = f"±{plan.target_um:g} µm"
    bodies = titled("body", plan.bodies[0].name) if len(plan.bodies) == 1 else "every body"
    if plan.is_reached and not plan.count:
        return f"Nothing more has to be read: {bodies} is known to {target} (95 %) already."
    setups = counted(len(setups_of(plan)), "set-up")
    with_readings = f"with {_taken(plan)} at {setups}"
    if plan.is_reached:
        return (
            f"{capital(bodies)} can be known to {target} (95 %) in 9 of 10 preps {with_readings}; "
            f"in the middle one to ±{decimal_text(max(body.median_um for body in plan.bodies), 1)}."
        )
    worst = max(plan.bodies, key=lambda body: body.half_width_um)
    body = capital(titled("body", worst.name))
    return (
        f"{target} cannot be promised with these lenses. {body} comes to ±{worst.half_width_um:.1f} µm "
        f"(95 %) in 9 of 10 preps {with_readings}, in the middle one to ±{worst.median_um:.1f}; readings "
        f"without end would bring ±{worst.limit_um:.1f}."
    )


def _taken(plan: Plan) -> str:
    """Return how many readings, or landings by picture."""
    return (
        f"{counted(plan.count, 'landing')} by picture"
        if plan.is_by_picture
        else counted(plan.count, "reading")
    )


def plan_pictures(plan: Plan) -> tuple[str, ...]:
    """Return of which lenses a picture is worth more than ten readings, and how such landings are taken."""
    worth = [lens for lens, times in plan.worth.items() if times >= MANY_READINGS]
    less = [f"{lens} {times:.0f}" for lens, times in plan.worth.items() if times < MANY_READINGS]
    lines = []
    if worth:
        rest = f"; of {listed(less)}" if less else ""
        lines.append(f"A landing by picture is worth more than ten readings by eye of {listed(worth)}{rest}.")
    elif less:
        lines.append(f"A landing by picture is worth as many readings by eye: {listed(less)}.")
    if plan.is_by_picture and plan.count:
        lines.append(
            "By picture the ring stands on the taped mark: set it anew for each landing, and measure one "
            "pass through the sharpest place. What is not decided then, the verdict asks for next."
        )
    return tuple(lines)


MANY_READINGS = 10.0
"""From here on a picture is worth many readings: more than anybody takes of one thing."""
WORTH = 0.9
"""A plan is worth its trouble where it leaves at most this share of what the plain rule leaves."""


def plan_habits(plan: Plan, typed: Mapping[float, str]) -> tuple[str, ...]:
    """Return how to read, and what the plain rule of the trade would reach; empty without readings."""
    if not plan.count:
        return ()
    how = (
        "Lenses wide open, body and lenses as warm as the room, near charts first; at least two lenses at "
        "two distances, so that a tape or a scale that is off shows."
    )
    if plan.rule_um is None:
        return (how,)
    farthest = tape_text(max(one.distance_mm for one in plan.readings), typed)
    rule = f"the four widest lenses alone, all at {farthest},"
    reached = f"±{decimal_text(plan.rule_um, 1)} µm in 9 of 10 preps"
    if max(body.half_width_um for body in plan.bodies) <= WORTH * plan.rule_um:
        return (how, f"With as many readings {rule} reach {reached}.")
    return (how, f"With as many readings {rule} would reach {reached}: this plan is no better by a tenth.")


def plan_help(plan: Plan) -> tuple[str, ...]:
    """Return what would bring each body to its target that the plan does not; empty if it does."""
    by_name = {limit.body: limit for limit in plan.limits}
    return tuple(
        _help(by_name[body.name], plan.target_um)
        for body in plan.bodies
        if body.half_width_um > plan.target_um
    )


def _help(limit: HalfWidthLimit, target_um: float) -> str:
    body = capital(titled("body", limit.body))
    if limit.limit_um <= target_um:
        return (
            f"{body}: more readings would bring it nearer to ±{limit.limit_um:.1f} µm, but too many for a "
            f"plan (at most {MOST_READINGS}). Nearer distances, faster lenses or a steadier eye say more."
        )
    best_um = min(limit.with_gauge_um, limit.with_known_lens_um)
    rest = "" if best_um <= target_um else f" For ±{target_um:g} µm it takes more than one of these."
    return (
        f"{body}: the lenses' own errors are not known well enough. With a depth gauge on it (standard "
        f"uncertainty {GAUGE_SD_UM:g} µm) ±{limit.with_gauge_um:.1f} µm is within reach, with one lens "
        f"known to {KNOWN_LENS_SD_UM:g} µm ±{limit.with_known_lens_um:.1f} µm. Lenses of known history, or "
        f"a second body that is known, help as well.{rest}"
    )


def setups_of(plan: Plan) -> dict[tuple[str, float], list[PlannedReading]]:
    """Group the readings by set-up, a body and a taped distance, in the plan's order."""
    groups: dict[tuple[str, float], list[PlannedReading]] = {}
    for reading in plan.readings:
        groups.setdefault((reading.body, reading.distance_mm), []).append(reading)
    return groups


def sight_text(one: PlannedReading, plan: Plan) -> str:
    """Return at which focal length of a zoom, or on which axis of an anamorphic, a lens is read."""
    marks = {other.focal_mm for other in plan.readings if (other.lens, other.axis) == (one.lens, one.axis)}
    words = [f"at {one.focal_mm:g} mm"] if len(marks) > 1 else []
    words += [f"{one.axis.value} axis"] if one.axis is not None else []
    return ", ".join(words)


def tape_text(distance_mm: float, typed: Mapping[float, str]) -> str:
    """Write a distance to tape: as the person typed it, else in feet where that is exact, else in metric."""
    if distance_mm in typed:
        return plain(typed[distance_mm])
    feet = mm_to_feet_text(distance_mm)
    is_exact = feet == "INF" or abs(length_to_mm(feet) - distance_mm) <= EXACT_MM
    return feet if is_exact else mm_to_metric_text(distance_mm)


def reach_text(plan: Plan) -> str:
    """Return what the plan's readings reach on the least known body, and the best that they could."""
    half_um = max(body.half_width_um for body in plan.bodies)
    limit_um = max(body.limit_um for body in plan.bodies)
    best = f"readings without end ±{decimal_text(limit_um, 1)} µm"
    if plan.is_by_picture:
        most = f"the least known body is known to ±{decimal_text(half_um, 1)} µm (95 %) in 9 of 10 preps"
        return (
            f"By picture {counted(plan.count, 'landing')} first: {most}. Then the verdict asks for the rest."
        )
    readings = counted(plan.count, "reading")
    if plan.is_reached and not plan.count:
        return f"Every body is known to ±{plan.target_um:g} µm (95 %) before the first reading."
    if plan.is_reached:
        return f"By eye ±{plan.target_um:g} µm (95 %) is reached in 9 of 10 preps with {readings}; {best}."
    return (
        f"By eye ±{plan.target_um:g} µm (95 %) is not reached with these lenses: {readings} reach "
        f"±{decimal_text(half_um, 1)} µm, {best}."
    )
