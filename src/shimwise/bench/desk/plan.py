"""Plan a check: what to read to know every body to ±x µm, before the first reading or after some."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.inputs import PLANNING, Inputs, Progress, lens_texts, progress_of, read_inputs
from shimwise.bench.desk.judge import judge_inputs
from shimwise.errors import InferenceError, RecordError
from shimwise.files.errors import shown
from shimwise.files.names import cleaned_name
from shimwise.inference.model.candidates import USUAL_DISTANCES_MM
from shimwise.inference.plan.planner import Plan, plan_check
from shimwise.inference.verdict.answer import NextReading
from shimwise.lengths import length_to_mm
from shimwise.notices import Notice
from shimwise.sheets.words.notices import notice_texts
from shimwise.sheets.words.shared import listed

if TYPE_CHECKING:
    from rich.console import Console

DEFAULT_TARGET_UM = 5.0
"""Half the usual tolerance: what it takes to call a body in tolerance. [µm]"""
LARGEST_TARGET_UM = 1000.0
LEAST_K, LARGEST_K = 0.02, 1.0
"""Far outside the 0.1 to 0.3 of people; beyond that it is a slip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A plan, the readings that decide most, and how the person wrote distances."""

    plan: Plan
    next: tuple[NextReading, ...]
    lens_text: Mapping[str, str]
    distance_text: Mapping[float, str]
    notices: tuple[Notice, ...]


def plan_file(
    readings: str | Path | bytes | None = None,
    *,
    kit_path: str | Path | None = None,
    target_um: float = DEFAULT_TARGET_UM,
    bodies: Sequence[str] = (),
    distances: Sequence[str] = (),
    k: float | None = None,
    is_by_picture: bool = False,
    unit: str | None = None,
    progress: Progress | None = None,
) -> Planned:
    """Plan the readings that make every body known to ±``target_um`` (95 %).

    Parameters
    ----------
    readings : path or bytes, optional
        Readings already taken; without them the whole check is planned.
    kit_path : path, optional
        What is known of bodies and lenses; without readings it has to name the lenses.
    target_um : float
        95 % half width wanted on every body. [µm]
    bodies : sequence of str
        Bodies beyond those of the kit and the readings.
    distances : sequence of str
        Distances at which a chart can be taped, as a technician writes them; 3, 6 and 12 ft when empty.
    unit : str, optional
        Unit of bare numbers in the readings file: mm, cm, m, in or ft.
    k : float, optional
        Focusing spread as a share of N·c; that of the readings, or the usual one, when not given.
    is_by_picture : bool
        Whether landings are measured by picture, not read by eye.
    progress : callable, optional
        Called from time to time.

    Raises
    ------
    RecordError
        If a file is refused: with the place that is wrong.
    LengthError
        If a distance is none.
    InferenceError, OpticsError
        If there is nothing to plan with, or a value is impossible.
    """
    _refuse_unless_possible(target_um, k)
    texts = {length_to_mm(text): " ".join(text.split()) for text in distances}
    inputs = read_inputs(readings, kit_path=kit_path, unit=unit, progress=progress)
    named = tuple(map(_body_name, bodies))
    plan = plan_check(
        inputs.prep,
        target_um=target_um,
        bodies=named,
        distances_mm=tuple(sorted(texts)) or USUAL_DISTANCES_MM,
        k=k,
        is_by_picture=is_by_picture,
        progress=progress_of(progress, PLANNING),
    )
    return Planned(
        plan=plan,
        next=judge_inputs(inputs, progress=progress).answer.next if inputs.prep.evidence else (),
        lens_text=lens_texts(inputs.prep),
        distance_text=texts,
        notices=(*inputs.notices, *_not_known(named, inputs), *_not_planned_with(inputs)),
    )


def _refuse_unless_possible(target_um: float, k: float | None) -> None:
    if not 0 < target_um <= LARGEST_TARGET_UM:
        raise InferenceError(
            f"A target of ±{target_um:g} µm is none. Give one above 0 and up to {LARGEST_TARGET_UM:g} µm, "
            f"such as {DEFAULT_TARGET_UM:g}."
        )
    if k is not None and not LEAST_K <= k <= LARGEST_K:
        raise InferenceError(
            f"A focusing spread k of {k:g} is nobody's. It is a share of N·c, 0.1 to 0.3 for most people: "
            f"give one from {LEAST_K:g} to {LARGEST_K:g}."
        )


def _not_known(bodies: Sequence[str], inputs: Inputs) -> Iterator[Notice]:
    """Warn of bodies that are named where others are known, and neither the kit nor a reading knows them."""
    known = {*inputs.prep.bodies, *(one.body for one in inputs.prep.evidence)}
    for name in bodies if known else ():
        if name not in known:
            yield Notice("body_not_known", name, {"known": listed(sorted(known))})


def _body_name(text: str) -> str:
    """Clean a body's name as the files' names are."""
    try:
        name = cleaned_name(text)
    except RecordError as error:
        raise InferenceError(f"A body cannot be called [{shown(text)}]: {error}") from error
    if not name:
        raise InferenceError("A body has no name. Give the name that is written on it, such as B1.")
    return name


def _not_planned_with(inputs: Inputs) -> Iterator[Notice]:
    """Warn of lenses that the kit names but does not describe well enough to plan with."""
    read = {one.lens for one in inputs.prep.evidence}
    for name, lens in inputs.prep.lenses.items():
        missing = ["focal_length_mm"] if not lens.focal_lengths_mm else []
        missing += ["f_number"] if lens.fnumber is None else []
        if missing and name not in read:
            yield Notice("lens_not_planned", name, {"missing": " and ".join(missing)})


def plan_json(planned: Planned) -> dict[str, Any]:
    """Return the plan as standard JSON in the form ``shimwise.plan/2``."""
    from shimwise.sheets.json.plan_json import plan_to_json

    return plan_to_json(
        planned.plan,
        next_readings=planned.next,
        typed_distances=planned.distance_text,
        notices=planned.notices,
    )


def print_plan(console: "Console", planned: Planned) -> None:
    """Print the plan: sentence, what to tape and read, what that reaches, what would help."""
    from shimwise.sheets.terminal import plan_report

    plan_report.print_plan(
        console,
        planned.plan,
        next_readings=planned.next,
        lens_text=planned.lens_text,
        typed_distances=planned.distance_text,
        warnings=notice_texts(planned.notices),
    )
