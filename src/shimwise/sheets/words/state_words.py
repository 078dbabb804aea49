"""The state of a unit in words: the same on page, sheet, label, terminal and in JSON."""

from collections.abc import Callable

from shimwise.inference.verdict.answer import Answer, BodyAnswer, Verdict
from shimwise.inference.verdict.unit_state import StateCode, UnitState, state_of
from shimwise.number_format import half_text
from shimwise.sheets.words.shared import capital, counted, distance_text, listed, plain

STATE_WORDS = {
    StateCode.NOT_READ: "not read",
    StateCode.NEEDS_READINGS: "needs more readings",
    StateCode.CANNOT_PART: "cannot be parted",
    StateCode.IN_TOLERANCE: "in tolerance",
    StateCode.OUT_SHORT: "out, short",
    StateCode.OUT_DEEP: "out, deep",
}
"""The ladder in the fewest words."""
VERDICT_WORDS = {
    Verdict.NOT_CHECKED: STATE_WORDS[StateCode.NOT_READ],
    Verdict.CANNOT_TELL: STATE_WORDS[StateCode.NEEDS_READINGS],
    Verdict.IN_TOLERANCE: STATE_WORDS[StateCode.IN_TOLERANCE],
    Verdict.OUT_SHORT: STATE_WORDS[StateCode.OUT_SHORT],
    Verdict.OUT_DEEP: STATE_WORDS[StateCode.OUT_DEEP],
}
"""Where nothing but the code of an earlier verdict is kept."""
_MOST_NAMED = 3


def short_state(unit: BodyAnswer, answer: Answer) -> str:
    """Return the state of a unit in the fewest words."""
    return STATE_WORDS[state_of(unit, answer).code]


def state_text(state: UnitState, write: Callable[[float], str] = distance_text) -> str:
    """Return a state with its numbers, as the end of a sentence: ``needs at least 12 more readings: …``."""
    following = _following(state, write)
    match state.code:
        case StateCode.NOT_READ if state.readings_before:
            return f"not read since it was adjusted: {_of_before(state)}{following}"
        case StateCode.NEEDS_READINGS:
            more = f"at least {counted(state.more, 'more reading')}" if state.more else "more readings"
            return f"known to {half_text(state.half_um)} µm, needs {more}{following}"
        case StateCode.CANNOT_PART:
            return f"known to {half_text(state.half_um)} µm, cannot be parted from {_apart_from(state)}"
        case StateCode.NOT_READ:
            return f"{STATE_WORDS[state.code]}{following}"
        case _:
            return STATE_WORDS[state.code]


def surer_text(state: UnitState, write: Callable[[float], str] = distance_text) -> str:
    """Return why a unit is not decided, and what would decide it, in sentences; empty where it is."""
    if state.code not in (StateCode.NOT_READ, StateCode.NEEDS_READINGS, StateCode.CANNOT_PART):
        return ""
    text = f"{capital(state_text(state, write))}."
    if state.code is not StateCode.CANNOT_PART:
        return text
    if state.kind == "body":
        return f"{text} A gauge on the body, or a lens whose history is known, parts them."
    return f"{text} A second body, a gauge on one, or a collimator value of the lens parts them."


def _of_before(state: UnitState) -> str:
    count = counted(state.readings_before, "reading")
    return f"its {count} of before {'does' if state.readings_before == 1 else 'do'} not count now"


def _following(state: UnitState, write: Callable[[float], str]) -> str:
    one = state.following
    return "" if one is None else f"; next {plain(one.lens)} on {plain(one.body)} at {write(one.distance_mm)}"


def _apart_from(state: UnitState) -> str:
    names = listed(map(plain, state.apart_from), most=_MOST_NAMED)
    best = "" if state.best_um is None else f" (at best {half_text(state.best_um)} µm)"
    errors = "the error of" if len(state.apart_from) == 1 else "the errors of"
    return f"{errors} {names}{best}"
