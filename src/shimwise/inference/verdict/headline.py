"""The headline of a verdict, and the notices beside it.

Short means the sensor is too close to the lens, deep that it is too far. Numbers carry their 95 % half width.
"""

import math
from collections import Counter
from collections.abc import Collection, Sequence

from shimwise.inference.history.remembered_posterior import KnockTest
from shimwise.inference.model.prep import Prep
from shimwise.inference.posterior.robust import Posterior
from shimwise.inference.verdict.answer import Answer, BodyAnswer, Cause, Verdict
from shimwise.inference.verdict.datum import GAUGE_SD_UM, KNOWN_LENS_SD_UM, Datum
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.notices import Notice
from shimwise.number_format import NOT_KNOWN, decimal_text, half_digits

NAMED_P = 0.7
"""A cause is named in the headline from this probability on."""
WIDENED = 1.5
"""From this widening of the lenses' history on there is a notice."""


def headline_of(answer: Answer) -> str:
    """Return the sentence of an answer: what is out and by how much, or that nothing is."""
    units = {("body", unit.name): unit for unit in answer.bodies}
    units |= {("lens", unit.name): unit for unit in answer.lenses}
    found = [
        sentence
        for kind in ("body", "lens")
        for (of_kind, name), unit in units.items()
        if of_kind == kind and (sentence := unit_sentence(kind, name, unit))
    ]
    replaced = {setup.name for setup in answer.setups if setup.replaced_by}
    found += [
        sentence
        for cause in answer.causes
        if not (cause.kind == "setup" and cause.unit in replaced) and (sentence := _named(cause))
    ]
    if found:
        return " ".join(found[:3]) + (f" And {len(found) - 3} more." if len(found) > 3 else "")
    everything = [*answer.bodies, *answer.lenses]
    if all(unit.verdict is Verdict.IN_TOLERANCE for unit in everything):
        tolerances = {unit.tolerance_um for unit in everything}
        within = f"±{tolerances.pop():g} µm" if len(tolerances) == 1 else "their tolerances"
        return f"Nothing is out: all {len(everything)} units are within {within}."
    return _undecided(answer)


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


def unit_sentence(kind: str, name: str, unit: BodyAnswer) -> str:
    """Return the sentence of a unit that is out, with half its 95 % interval; empty for others."""
    if unit.verdict not in (Verdict.OUT_SHORT, Verdict.OUT_DEEP):
        return ""
    half_um = (unit.high_um - unit.low_um) / 2
    digits = half_digits(half_um)
    amount = (
        f"{decimal_text(abs(unit.error_um), digits)} µm, give or take {decimal_text(half_um, digits)} (95 %)"
    )
    is_short = unit.verdict is Verdict.OUT_SHORT
    side = "short" if is_short else "deep"
    if kind == "body":
        where = "too close" if is_short else "too far"
        return f"{titled('Body', name)} lands {side}: the sensor sits {where} by {amount}."
    return f"{titled('Lens', name)} lands {side} by itself, by {amount}."


def _named(cause: Cause) -> str:
    """Return the sentence of a set-up or scale that is probably off; empty for others."""
    if cause.probability >= NAMED_P and cause.kind == "setup":
        return f"{titled('Set-up', cause.unit)} is taped wrong (P {probability_text(cause.probability)})."
    if cause.probability >= NAMED_P and cause.kind == "scale":
        return f"The scale of lens {cause.unit} is off (P {probability_text(cause.probability)})."
    return ""


_COUNTED = (
    (StateCode.NEEDS_READINGS, "needs more readings", "need more readings"),
    (StateCode.CANNOT_PART, "cannot be parted", "cannot be parted"),
    (StateCode.NOT_READ, "is not read", "are not read"),
    (StateCode.IN_TOLERANCE, "is in tolerance", "are in tolerance"),
)
"""A state as it is written of one unit and of several."""


def _undecided(answer: Answer) -> str:
    states = Counter(state_of(unit, answer).code for unit in (*answer.bodies, *answer.lenses))
    if set(states) == {StateCode.NOT_READ}:
        return f"Nothing is read yet of {states.total()} units."
    parts = [
        f"{count}{'' if number else ' unit' if count == 1 else ' units'} {one if count == 1 else many}"
        for number, (count, one, many) in enumerate(
            (states[code], one, many) for code, one, many in _COUNTED if states[code]
        )
    ]
    return f"Not decided yet: {', '.join(parts)}."


def notices_of(
    posterior: Posterior, limits: Sequence[Datum], prep: Prep, body_tolerances_um: Sequence[float]
) -> tuple[Notice, ...]:
    """Return what limits the numbers: the datum, history that did not fit, a single reading.

    ``limits`` and ``body_tolerances_um`` are those of each body, in the same order. [µm]
    """
    found = [
        Notice(
            "datum_limit",
            limit.body,
            {
                "limit_um": limit.limit_um,
                "with_gauge_um": limit.with_gauge_um,
                "gauge_sd_um": GAUGE_SD_UM,
                "with_known_lens_um": limit.with_known_lens_um,
                "known_lens_sd_um": KNOWN_LENS_SD_UM,
            },
        )
        for limit, tolerance_um in zip(limits, body_tolerances_um, strict=True)
        if limit.limit_um > tolerance_um / 2
    ]
    if posterior.history_factor >= WIDENED:
        found.append(Notice("history_widened", numbers={"factor": posterior.history_factor}))
    if len(prep.evidence) == 1:
        found.append(Notice("single_reading"))
    return tuple(found)


def knock_notices(knocks: Sequence[KnockTest], *, past: Collection[str] = ()) -> tuple[Notice, ...]:
    """Return a notice for each unit whose readings contradict its memory; ``past``: names of past states."""
    return tuple(
        Notice(
            "knocked",
            one.name,
            {"shift_um": one.shift_um, "sd_um": one.sd_um, "is_past": float(one.name in past)},
        )
        for one in knocks
    )
