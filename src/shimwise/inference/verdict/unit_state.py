"""The state of a unit: one ladder for every page, paper and answer, decided from the verdict's facts.

A unit that is neither in tolerance nor out was not read, or needs more readings, or cannot be parted from
what it was read with: no number of readings decides it.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import NormalDist

from shimwise.inference.verdict.answer import (
    Z95,
    Answer,
    BodyAnswer,
    LensAnswer,
    NextReading,
    UnpartedKind,
    Verdict,
)
from shimwise.inference.verdict.decision import ACCEPT_P, CALL_OUT_P


class StateCode(StrEnum):
    """The rungs of the ladder."""

    NOT_READ = "not_read"
    NEEDS_READINGS = "needs_more_readings"
    CANNOT_PART = "cannot_be_parted"
    IN_TOLERANCE = "in_tolerance"
    OUT_SHORT = "out_short"
    OUT_DEEP = "out_deep"


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitState:
    """A state with its numbers.

    Attributes
    ----------
    code : StateCode
        The rung.
    kind : str
        ``body`` or ``lens``.
    half_um : float
        Half the 95 % interval of its error. [µm]
    readings : int
        Readings of it as it is.
    readings_before : int
        Readings of it as it was before an adjustment: they do not count for it now.
    more : int or None
        About how many more readings decide it, if its error is as estimated; None where that is not known.
    following : NextReading or None
        The reading of it to take next.
    best_um : float or None
        Half the 95 % interval that readings without end would leave. [µm]
    apart_from : tuple of str
        Names of the units that its error cannot be parted from.
    """

    code: StateCode
    kind: str
    half_um: float
    readings: int = 0
    readings_before: int = 0
    more: int | None = None
    following: NextReading | None = None
    best_um: float | None = None
    apart_from: tuple[str, ...] = ()


def state_of(unit: BodyAnswer, answer: Answer) -> UnitState:
    """Return the state of a unit of an answer."""
    kind = "lens" if isinstance(unit, LensAnswer) else "body"
    readings, before = _counts(unit, kind, answer)
    state = UnitState(
        code=StateCode.NOT_READ, kind=kind, half_um=unit.half_um, readings=readings, readings_before=before
    )
    if unit.verdict.is_decided:
        return replace(state, code=StateCode(unit.verdict.value))
    following = next((one for one in answer.next if unit.name == getattr(one, kind)), None)
    # Verdicts of earlier versions call a unit not checked that was read, but not well enough.
    if unit.verdict is Verdict.NOT_CHECKED and not readings:
        return replace(state, following=following)
    if swapped := _swapped(unit, kind, answer):
        return replace(state, code=StateCode.CANNOT_PART, apart_from=swapped)
    best_um, partners = _best(unit, kind, answer)
    wanted_um = wanted_sd_um(unit)
    if best_um is not None and best_um / Z95 >= wanted_um:
        return replace(state, code=StateCode.CANNOT_PART, best_um=best_um, apart_from=partners)
    return replace(
        state,
        code=StateCode.NEEDS_READINGS,
        more=unit.more_readings,
        following=following,
        best_um=best_um,
    )


def _swapped(unit: BodyAnswer, kind: str, answer: Answer) -> tuple[str, ...]:
    """Return the partners with which a unit is out together, though neither is called out."""
    own = 0 if kind == "body" else 1
    pairs = [one.names for one in answer.unparted if one.kind is UnpartedKind.PAIR]
    return tuple(names[1 - own] for names in pairs if names[own] == unit.name)


def _counts(unit: BodyAnswer, kind: str, answer: Answer) -> tuple[int, int]:
    """Return how many readings a unit has as it is, and as it was before its adjustments."""
    past = answer.past_bodies if kind == "body" else answer.past_lenses
    earlier = {one.name for one in past if one.name.startswith(f"{unit.name} before ")}
    names = [one.body if kind == "body" else one.lens for one in answer.readings]
    return names.count(unit.name), sum(name in earlier for name in names)


def _best(unit: BodyAnswer, kind: str, answer: Answer) -> tuple[float | None, tuple[str, ...]]:
    """Return what readings without end leave of a unit [µm], and what then hides its error."""
    if kind == "body":
        partners = dict.fromkeys(one.lens for one in answer.readings if one.body == unit.name)
    else:
        partners = dict.fromkeys(one.body for one in answer.readings if one.lens == unit.name)
    past = answer.past_units
    partners = dict.fromkeys(one.partition(" before ")[0] if one in past else one for one in partners)
    is_limited = unit.limit_um < unit.half_um
    return (unit.limit_um, tuple(partners)) if is_limited and partners else (None, ())


def wanted_sd_um(unit: BodyAnswer) -> float:
    """Return the standard uncertainty at which a unit is decided, if its error is as estimated. [µm]"""
    normal, room_um = NormalDist(), unit.tolerance_um - abs(unit.error_um)
    if room_um > 0:
        return min(unit.tolerance_um / 2, room_um / normal.inv_cdf(1 - ACCEPT_P))
    return -room_um / normal.inv_cdf(CALL_OUT_P)
