"""The second line of every sheet, after the headline; and the picture told in words, for who cannot see."""

import re
from collections.abc import Iterator

from shimwise.inference.verdict.answer import Z95 as Z95
from shimwise.inference.verdict.answer import Answer, BodyAnswer, SetupAnswer, Verdict
from shimwise.number_format import decimal_text, half_digits, half_text
from shimwise.sheets.words.shared import (
    VERDICT_WORDS,
    capital,
    counted,
    error_text,
    is_out,
    listed,
    plain,
    titled,
)

READING_RULE = (
    "If the landings follow the body's own line, it is the body. If one row stands apart from that line, "
    "it is that lens: what lies between is the lens's own error."
)
"""How a picture of landings is read."""
LIKELY = 0.5
"""A set-up or a scale is worth a word above this probability."""


def second_line(answer: Answer) -> str:
    """Say what the headline does not: what else is out, what cannot be told, set-ups, doubted readings."""
    return " ".join(
        sentence for part in (_also_out, _scales, _undecided, _setups, _doubted) for sentence in part(answer)
    )


def description(answer: Answer, *, most_units: int = 40) -> str:
    """Tell the picture of an answer in words: the sentence, then every unit's error and verdict."""
    units = _units(answer)
    told = [
        f"{plain(unit.name)}: {error_text(unit)} µm, {VERDICT_WORDS[unit.verdict]}."
        for unit in units[:most_units]
    ]
    if len(units) > most_units:
        told.append(f"And {len(units) - most_units} more.")
    what = (
        f"Landings in microns at the sensor, short at the left, deep at the right, of "
        f"{counted(len(answer.lenses), 'lens')} on {counted(len(answer.bodies), 'body')}, "
        f"{counted(len(answer.readings), 'reading')}; tolerance ±{answer.tolerance_um:g} µm."
    )
    return " ".join(part for part in (plain(answer.headline), second_line(answer), what, *told) if part)


def _units(answer: Answer) -> tuple[BodyAnswer, ...]:
    return (*answer.bodies, *answer.lenses)


def _is_named(name: str, answer: Answer) -> bool:
    """Tell whether the headline speaks of a unit; a name such as ``7`` may also be a number in it."""
    pattern = rf"\b(?:body|lens|set-up)\s+{re.escape(name)}(?!\w)"
    return answer.headline.startswith(name) or bool(re.search(pattern, answer.headline, re.IGNORECASE))


def _also_out(answer: Answer) -> Iterator[str]:
    out = [unit for unit in _units(answer) if is_out(unit) and not _is_named(unit.name, answer)]
    for verdict, way in ((Verdict.OUT_SHORT, "short"), (Verdict.OUT_DEEP, "deep")):
        names = [plain(unit.name) for unit in out if unit.verdict is verdict]
        if names:
            yield f"{listed(names)} {'is' if len(names) == 1 else 'are'} {way} as well."


def _scales(answer: Answer) -> Iterator[str]:
    names = [
        plain(lens.name)
        for lens in answer.lenses
        if lens.p_scale_out > LIKELY and not _is_named(lens.name, answer)
    ]
    if names:
        yield f"The {'scale' if len(names) == 1 else 'scales'} of {listed(names)} may be off."


def _undecided(answer: Answer) -> Iterator[str]:
    told = {plain(name) for one in answer.readings for name in (one.body, one.lens)}
    for verdict in (Verdict.CANNOT_TELL, Verdict.NOT_CHECKED):
        names = [plain(unit.name) for unit in _units(answer) if unit.verdict is verdict]
        if not names:
            continue
        if verdict is Verdict.CANNOT_TELL:
            yield f"Of {listed(names)} it cannot be told yet."
            continue
        read = [name for name in names if name in told]
        if read:
            yield f"Of {listed(read)} too little is known to say."
        unread = [name for name in names if name not in told]
        if unread:
            yield f"{listed(unread)} {'is' if len(unread) == 1 else 'are'} not read yet."


def _setups(answer: Answer) -> Iterator[str]:
    if not answer.setups:
        return
    off = sorted((setup for setup in answer.setups if setup.p_out > LIKELY), key=lambda setup: -setup.p_out)
    if not off:
        yield "Tape and chart agree."
    new = [setup for setup in off if not _is_named(setup.name, answer)]
    if new:
        yield f"{_setup_text(new[0])}."
    if len(new) > 1:
        names = [plain(setup.name) for setup in new[1:]]
        yield f"So {'does' if len(names) == 1 else 'do'} {listed(names)}."


def _setup_text(setup: SetupAnswer) -> str:
    way = "farther" if setup.error_mm > 0 else "nearer"
    half_mm = Z95 * setup.sd_mm
    amount = f"{decimal_text(abs(setup.error_mm), half_digits(half_mm))} {half_text(half_mm)} mm"
    name = capital(titled("set-up", setup.name))
    return f"{name} looks mis-taped: its chart stands {amount} {way} than written"


def _doubted(answer: Answer) -> Iterator[str]:
    past = {unit.name for unit in (*answer.past_bodies, *answer.past_lenses)}
    count = sum(one.is_doubted for one in answer.readings if past.isdisjoint((one.body, one.lens)))
    if count and len(answer.readings) == 1:
        yield "The one reading lies farther off than a body and a lens usually do."
    elif count:
        yield f"{counted(count, 'reading')} {'is' if count == 1 else 'are'} doubted."
