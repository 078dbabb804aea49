"""The headline of a verdict.

Short means the sensor is too close to the lens, deep that it is too far. Numbers carry their 95 % half width.
"""

import math
from collections import Counter

from shimwise.inference.verdict.answer import OUT, Answer, BodyAnswer, Cause, LensAnswer, Verdict
from shimwise.inference.verdict.pair_sentences import pair_sentences
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.inference.verdict.unparted_sentences import (
    cause_sentence,
    give_or_take,
    likeliest_sentence,
    unparted_sentences,
)
from shimwise.number_format import NOT_KNOWN

NAMED_P = 0.7
"""A cause is named in the headline from this probability on."""


def headline_of(answer: Answer) -> str:
    """Return the sentence of an answer: what is out and by how much, or that nothing is."""
    found = list(filter(None, map(unit_sentence, answer.units)))
    replaced = {setup.name for setup in answer.setups if setup.replaced_by}
    found += [
        sentence
        for cause in answer.causes
        if not (cause.kind == "setup" and cause.unit in replaced) and (sentence := _named(cause))
    ]
    found += unparted_sentences(answer)
    pairs = pair_sentences(answer)
    if found:
        found += pairs
        return " ".join(found[:3]) + (f" And {len(found) - 3} more." if len(found) > 3 else "")
    everything = answer.units
    if all(unit.verdict is Verdict.IN_TOLERANCE for unit in everything):
        tolerances = {unit.tolerance_um for unit in everything}
        within = f"±{tolerances.pop():g} µm" if len(tolerances) == 1 else "their tolerances"
        return f"Nothing is out: all {len(everything)} units are within {within}."
    return " ".join(filter(None, (_undecided(answer), *pairs, likeliest_sentence(answer))))


def titled(kind: str, name: str) -> str:
    """Return the name with its kind, once: not "Body Body 07"."""
    return name if name.casefold().startswith(kind.casefold()) else f"{kind} {name}"


def probability_text(probability: float) -> str:
    """Return a probability in per cent, the ends as ``< 1 %`` and ``> 99 %``; nan as ``not known``."""
    if not math.isfinite(probability):
        return NOT_KNOWN
    if probability < 0.01:
        return "< 1 %"
    if probability > 0.99:
        return "> 99 %"
    return f"{100 * probability:.0f} %"


def unit_sentence(unit: BodyAnswer) -> str:
    """Return the sentence of a unit that is out, with half its 95 % interval; empty for others."""
    if unit.verdict not in OUT:
        return ""
    amount = give_or_take(unit.error_um, unit.half_um)
    side = unit.verdict.way
    if isinstance(unit, LensAnswer):
        return f"{titled('Lens', unit.name)} lands {side} by itself, by {amount}."
    where = "too close" if side == "short" else "too far"
    return f"{titled('Body', unit.name)} lands {side}: the sensor sits {where} by {amount}."


def _named(cause: Cause) -> str:
    """Return the sentence of a set-up or scale that is probably off; empty for others."""
    if cause.probability >= NAMED_P and cause.kind == "setup":
        return f"{titled('Set-up', cause.unit)} is taped wrong (P {probability_text(cause.probability)})."
    if cause.probability >= NAMED_P and cause.kind == "scale":
        return f"The scale of lens {cause.unit} is off (P {probability_text(cause.probability)})."
    return cause_sentence(cause) if cause.probability >= NAMED_P else ""


_COUNTED = (
    (StateCode.NEEDS_READINGS, "needs more readings", "need more readings"),
    (StateCode.CANNOT_PART, "cannot be parted", "cannot be parted"),
    (StateCode.NOT_READ, "is not read", "are not read"),
    (StateCode.IN_TOLERANCE, "is in tolerance", "are in tolerance"),
)
"""A state as it is written of one unit and of several."""


def _undecided(answer: Answer) -> str:
    states = Counter(state_of(unit, answer).code for unit in answer.units)
    if set(states) == {StateCode.NOT_READ}:
        return f"Nothing is read yet of {states.total()} units."
    parts = [
        f"{count}{'' if number else ' unit' if count == 1 else ' units'} {one if count == 1 else many}"
        for number, (count, one, many) in enumerate(
            (states[code], one, many) for code, one, many in _COUNTED if states[code]
        )
    ]
    return f"Not decided yet: {', '.join(parts)}."
