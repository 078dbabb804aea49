"""The second line of every sheet, after the headline; and the picture in words for who does not see it."""

import re
from collections.abc import Iterator

from shimwise.inference.verdict.answer import OUT, Z95, Answer, SetupAnswer
from shimwise.inference.verdict.pair_sentences import certain_differences, difference_sentence
from shimwise.inference.verdict.unit_state import StateCode, UnitState, state_of
from shimwise.number_format import size_text
from shimwise.sheets.words.shared import (
    capital,
    counted,
    error_text,
    is_out,
    listed,
    plain,
    titled,
)
from shimwise.sheets.words.state_words import short_state

READING_RULE = "Landings along a body's line show its error; a row apart, that lens's own."
"""How a picture of landings is read."""
LIKELY = 0.5
"""A set-up or a scale is worth a word above this probability."""


def second_line(answer: Answer) -> str:
    """Return what the headline leaves out: what else is out, what is open, set-ups, doubted readings."""
    return " ".join(
        sentence
        for part in (_also_out, _differences, _scales, _undecided, _setups, _doubted)
        for sentence in part(answer)
    )


def description(answer: Answer, *, most_units: int = 40) -> str:
    """Return the picture of an answer in words: the sentence, then every unit's error and verdict."""
    units = answer.units
    shown = [
        f"{plain(unit.name)}: {error_text(unit)} µm, {short_state(unit, answer)}."
        for unit in units[:most_units]
    ]
    if len(units) > most_units:
        shown.append(f"And {len(units) - most_units} more.")
    what = (
        f"Landings in microns at the sensor, short at the left, deep at the right, of "
        f"{counted(len(answer.lenses), 'lens')} on {counted(len(answer.bodies), 'body')}, "
        f"{counted(len(answer.readings), 'reading')}; tolerance ±{answer.tolerance_um:g} µm."
    )
    return " ".join(part for part in (plain(answer.headline), second_line(answer), what, *shown) if part)


def _is_named(name: str, answer: Answer) -> bool:
    """Return whether the headline names a unit; a name such as ``7`` may also be a number in it."""
    pattern = rf"\b(?:body|lens|set-up)\s+{re.escape(name)}(?!\w)"
    return answer.headline.startswith(name) or bool(re.search(pattern, answer.headline, re.IGNORECASE))


def _also_out(answer: Answer) -> Iterator[str]:
    out = [unit for unit in answer.units if is_out(unit) and not _is_named(unit.name, answer)]
    for verdict in OUT:
        names = [plain(unit.name) for unit in out if unit.verdict is verdict]
        if names:
            yield f"{listed(names)} {'is' if len(names) == 1 else 'are'} {verdict.way} as well."


def _differences(answer: Answer) -> Iterator[str]:
    """Yield the largest difference between bodies, where it is certain and the headline has none."""
    sentences = [difference_sentence(one) for one in certain_differences(answer)]
    if not any(one in answer.headline for one in sentences):
        yield from (plain(one) for one in sentences[:1])


def _scales(answer: Answer) -> Iterator[str]:
    names = [
        plain(lens.name)
        for lens in answer.lenses
        if lens.p_scale_out > LIKELY and not _is_named(lens.name, answer)
    ]
    if names:
        yield f"The {'scale' if len(names) == 1 else 'scales'} of {listed(names)} may be off."


def _undecided(answer: Answer) -> Iterator[str]:
    states = [(plain(unit.name), state_of(unit, answer)) for unit in answer.units]
    named = {
        code: [name for name, state in states if state.code is code and not state.readings_before]
        for code in StateCode
    }
    if few := named[StateCode.NEEDS_READINGS]:
        yield f"{capital(listed(few))} {'needs' if len(few) == 1 else 'need'} more readings."
    if hidden := named[StateCode.CANNOT_PART]:
        yield _hidden(hidden, answer)
    if unread := named[StateCode.NOT_READ]:
        yield f"{capital(listed(unread))} {'is' if len(unread) == 1 else 'are'} not read yet."
    yield from (_moved(name, state) for name, state in states if state.readings_before and not state.readings)


def _hidden(names: list[str], answer: Answer) -> str:
    """Return which units cannot be parted: from each other with what they land together, else from whom."""
    states = {plain(unit.name): state_of(unit, answer) for unit in answer.units}
    apart = [plain(one) for name in names for one in states[name].apart_from]
    others = [one for one in dict.fromkeys(apart) if one not in names]
    if others:
        errors = "error" if len(others) == 1 else "errors"
        return f"{capital(listed(names))} cannot be parted from the {errors} of {listed(others, most=3)}."
    text = f"{capital(listed(names))} cannot be parted"
    pair = next((one for one in answer.unparted if set(map(plain, one.names)) == set(names)), None)
    if pair is None:
        return f"{text} from each other."
    size = size_text(pair.amount_um, pair.half_um)
    return f"{text}: together {size} µm {'short' if pair.amount_um < 0 else 'deep'}."


def _moved(name: str, state: UnitState) -> str:
    count = counted(state.readings_before, "reading")
    do = "does" if state.readings_before == 1 else "do"
    return f"{capital(name)} was adjusted: its {count} of before {do} not count now. Read it again."


def _setups(answer: Answer) -> Iterator[str]:
    if not answer.setups:
        return
    likely = sorted((one for one in answer.setups if one.p_out > LIKELY), key=lambda setup: -setup.p_out)
    off = [setup for setup in likely if not setup.replaced_by]
    if not likely:
        yield "Tape and chart agree."
    for setup in likely:
        if setup.replaced_by:
            yield f"{capital(titled('set-up', setup.name))} was taped wrong, and is taped anew."
    new = [setup for setup in off if not _is_named(setup.name, answer)]
    if new:
        yield f"{_setup_text(new[0])}."
    if len(new) > 1:
        names = [plain(setup.name) for setup in new[1:]]
        yield f"So {'does' if len(names) == 1 else 'do'} {listed(names)}."


def _setup_text(setup: SetupAnswer) -> str:
    way = "farther" if setup.error_mm > 0 else "nearer"
    half_mm = Z95 * setup.sd_mm
    amount = f"{size_text(setup.error_mm, half_mm)} mm"
    name = capital(titled("set-up", setup.name))
    return f"{name} looks mis-taped: its chart stands {amount} {way} than written"


def _doubted(answer: Answer) -> Iterator[str]:
    count = len(answer.doubted)
    if count and len(answer.readings) == 1:
        yield "The one reading lies farther off than a body and a lens usually do."
    elif count:
        yield f"{counted(count, 'reading')} {'is' if count == 1 else 'are'} doubted."
