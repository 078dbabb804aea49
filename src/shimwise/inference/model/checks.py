"""Refuse what cannot be judged, before anything is computed."""

import math
from collections.abc import Iterable

from shimwise.errors import InferenceError
from shimwise.inference.model.prep import BodyKnowledge, MeasuredLanding, Prep, Reading, UnitKnowledge


def check_prep(prep: Prep) -> None:
    """Raise InferenceError if a number of the prep is impossible, or one of a pair is missing."""
    _check_positive("The tolerance", prep.tolerance_um)
    for kind, units in (("body", prep.bodies), ("lens", prep.lenses)):
        for name, knowledge in units.items():
            _check_knowledge(f"{kind} {name}", knowledge)
    for one in prep.evidence:
        _check_evidence(one)


def _check_knowledge(unit: str, knowledge: UnitKnowledge) -> None:
    for what, value, sd in (
        ("history", knowledge.history_mean_um, knowledge.history_sd_um),
        ("gauge", knowledge.gauge_um, knowledge.gauge_sd_um),
    ):
        _check_pair(f"The {what} of {unit}", value, sd)
    if isinstance(knowledge, BodyKnowledge):
        _check_positive(f"The circle of confusion of {unit}", knowledge.coc_um)
        if knowledge.tolerance_um is not None:
            _check_positive(f"The tolerance of {unit}", knowledge.tolerance_um)


def _check_evidence(one: Reading | MeasuredLanding) -> None:
    if not (one.fnumber > 0 and math.isfinite(one.fnumber)):
        raise InferenceError(
            f"Line {one.line}: an f-number of {one.fnumber:g} cannot be judged. It has to be above 0."
        )
    if isinstance(one, MeasuredLanding):
        _check_pair(f"Line {one.line}: the measured landing", one.landing_um, one.sd_um)


def _check_pair(what: str, value: float | None, sd: float | None) -> None:
    """Raise if a value has no uncertainty; an uncertainty alone means a value of 0."""
    if value is not None and not math.isfinite(value):
        raise InferenceError(f"{what} is {value:g} µm. It has to be a finite number.")
    if sd is not None:
        _check_positive(f"{what}: the standard uncertainty", sd)
    elif value is not None:
        raise InferenceError(f"{what} comes without its standard uncertainty. Give both, or neither.")


def _check_positive(what: str, value: float) -> None:
    if not (value > 0 and math.isfinite(value)):
        raise InferenceError(f"{what} is {value:g} µm. It has to be above 0.")


def refuse_unless_finite(values: Iterable[float], what: str) -> None:
    """Raise InferenceError if one of the values is infinite or not a number."""
    for value in values:
        if not math.isfinite(value):
            raise InferenceError(f"{what} is {value:g}. It has to be a finite number.")
