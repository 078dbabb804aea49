"""Notices in words: a table from code to sentence, once for every door.

A house keeps its units on pages; without one they are in a kit file. A sentence that names the place has both
forms.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from shimwise.inference.verdict.answer import Z95
from shimwise.lengths import mm_to_feet_text, mm_to_metric_text
from shimwise.notices import Notice, WordedNotice
from shimwise.number_format import decimal_text, signed_text
from shimwise.sheets.words.file_words import FILE_WORDS, FILE_WORDS_IN_HOUSE
from shimwise.sheets.words.remedy_words import REMEDY_WORDS, REMEDY_WORDS_IN_HOUSE, Numbers, Words
from shimwise.sheets.words.shared import listed
from shimwise.sheets.words.to_do_words import TO_DO_WORDS

AS_WRITTEN = "as_written"
"""A sentence of a document that has no codes (``shimwise.verdict/1``), or of a file: kept as it is."""
_MOST_NAMED = 5
"""Units that a sentence of several notices names, the last of them as "and 3 more"."""


def notice_text(notice: Notice, *, is_house: bool = False) -> str:
    """Return the sentence of a notice; a code that this version does not know is named as it is."""
    return _text(notice.code, notice.unit, notice.numbers, is_house=is_house)


def notice_texts(notices: Iterable[Notice], *, is_house: bool = False) -> list[str]:
    """Return the sentences of notices; those of one code about several lenses make one sentence."""
    texts = []
    together = {*_GROUPED, "datum_limit"}
    for code, group in groupby(notices, key=lambda one: one.code if one.code in together else id(one)):
        of_code = list(group)
        if code == "datum_limit":
            texts += (
                [_datum_limits(of_code)] if len(of_code) > 1 else [notice_text(of_code[0], is_house=is_house)]
            )
        elif code in _GROUPED:
            units = listed([one.unit for one in of_code], most=_MOST_NAMED)
            texts.append(_text(of_code[0].code, units, of_code[0].numbers, is_house=is_house))
        else:
            texts += [notice_text(one, is_house=is_house) for one in of_code]
    return texts


def joined_text(notices: Iterable[Notice], *, is_house: bool = False) -> str:
    """Return the sentences of notices as one text, such as the advice of a remedy."""
    return " ".join(notice_text(one, is_house=is_house) for one in notices)


def notice_json(notice: Notice, *, is_house: bool = False) -> dict[str, Any]:
    """Return a notice as plain JSON, with its sentence."""
    return {
        "code": notice.code,
        "unit": notice.unit,
        "numbers": dict(notice.numbers),
        "text": notice_text(notice, is_house=is_house),
    }


def worded(notice: Notice, *, is_house: bool = False) -> WordedNotice:
    """Return a notice with its sentence."""
    return WordedNotice(notice.code, notice.unit, notice.numbers, text=notice_text(notice, is_house=is_house))


def as_written(text: str) -> Notice:
    """Return a sentence without a code as a notice."""
    return Notice(AS_WRITTEN, numbers={"text": text})


def _text(code: str, unit: str, numbers: Numbers, *, is_house: bool) -> str:
    words = (_IN_HOUSE.get(code) if is_house else None) or _WORDS.get(code)
    if words is None:
        return f"{unit}: {code}."
    return words.format(unit=unit, **numbers) if isinstance(words, str) else words(unit, numbers)


def _datum_limits(notices: Sequence[Notice]) -> str:
    """Return how well bodies can be known with these lenses, and what would help, in one text."""
    worst = max(notices, key=lambda one: float(one.numbers["limit_um"] or 0.0)).numbers
    units = listed([one.unit for one in notices], most=_MOST_NAMED)
    return (
        f"Readings alone leave {units} at ±{worst['limit_um']:.1f} µm (95 %) at best: the lenses' own errors "
        f"are not known well enough. A depth gauge ({worst['gauge_sd_um']:g} µm) brings "
        f"±{worst['with_gauge_um']:.1f}, a lens known to {worst['known_lens_sd_um']:g} µm "
        f"±{worst['with_known_lens_um']:.1f}."
    )


def _knocked(unit: str, n: Numbers) -> str:
    shift_um, sd_um = float(n["shift_um"] or 0.0), float(n["sd_um"] or 0.0)
    return (
        f"{unit} {'lay' if n['is_past'] else 'lies'} {decimal_text(abs(shift_um))} ± "
        f"{decimal_text(Z95 * sd_um)} µm {'short' if shift_um < 0 else 'deep'} of where it was "
        "remembered: it may have been knocked or worked on without a note, or another one was read under its "
        "name. What was remembered of it is set aside. Look at its mount, and check that the name is right."
    )


def _one_eye(unit: str, n: Numbers) -> str:
    low_um, high_um = float(n["low_um"] or 0.0), float(n["high_um"] or 0.0)
    whose = f"that of {unit}" if unit else "with no name"
    return (
        f"One eye only has read, {whose}: its own bias, {signed_text(low_um)} to {signed_text(high_um)} µm "
        "(95 %), goes into every body. Before anything is turned on its word alone, let a second person "
        "read, or take a gauge or frames."
    )


def _rounding(unit: str, n: Numbers, where: str = "as marks in the kit") -> str:
    return _as_read(unit, n, f"to about {_step_text(float(n['step_mm'] or 0.0))}") + (
        f" Where the marks of a lens are known, {where}, they are used instead."
    )


def _marks(unit: str, n: Numbers, where: str = "as marks in the kit") -> str:
    return _as_read(unit, n, "to whole marks") + (
        f" Read between the marks, and enter those of the lenses, {where}."
    )


def _as_read(unit: str, n: Numbers, how: str) -> str:
    near_text = mm_to_feet_text(float(n["near_mm"] or 0.0))
    width_text = decimal_text(float(n["width_um"] or 0.0))
    return (
        f"{unit or 'The reader'} seems to read {how} near {near_text}, {width_text} µm at the sensor; the "
        "intervals allow for that."
    )


def _step_text(step_mm: float) -> str:
    eighths = step_mm / 3.175
    return mm_to_feet_text(step_mm) if abs(eighths - round(eighths)) < 1e-6 else mm_to_metric_text(step_mm)


_INTERNAL = (
    "{unit}: a zoom, or a lens that focuses inside. Its landings are right in sign but may be off in size by "
    "half at 3 ft; the intervals allow for that."
)
_BEYOND = (
    "; the last row was taken, and the landing's size may be off as of a lens without a table. Add the "
    "distance to the"
)
_SEPARATION = (
    "{unit}: the separation of the principal planes is not known. Landings may be off in size by some 4 % at "
    "3 ft; the intervals allow for that."
)
_WORDS: Mapping[str, Words] = {
    **REMEDY_WORDS,
    **FILE_WORDS,
    **TO_DO_WORDS,
    AS_WRITTEN: "{text}",
    # How readings were converted and pooled.
    "mixed_stops": "{unit} was read at different stops ({stops}). Stopping down can shift best focus by tens "
    "of microns: readings away from f/{widest:g} are judged with a shift of their own.",
    "setup_distances": "Set-up {unit} has {count:g} distances; each is judged as its own tape.",
    "internal_focus": f"{_INTERNAL} A by_distance table in the kit removes it.",
    "beyond_table": f"{{unit}} was read beyond its by_distance table{_BEYOND} kit.",
    "unknown_separation": f"{_SEPARATION} Give principal_separation_mm to remove it.",
    # What limits the numbers.
    "datum_limit": "However many readings are taken with these lenses, {unit} cannot be known better than "
    "±{limit_um:.1f} µm (95 %): the lenses' own errors are not known well enough. A depth gauge on the body "
    "(standard uncertainty {gauge_sd_um:g} µm) would bring it to ±{with_gauge_um:.1f}, one lens known to "
    "{known_lens_sd_um:g} µm to ±{with_known_lens_um:.1f}.",
    "history_widened": "The lenses differ from each other more than their histories allow; these were taken "
    "{factor:.1f} times wider. Check that the histories belong to these lenses.",
    "single_reading": "One reading only: it tells the sum of a body's and a lens's error, not whose it is. "
    "Whether it is a blunder, a second reading tells.",
    "knocked": _knocked,
    "one_eye": _one_eye,
    "rounding_assumed": _rounding,
    "marks_assumed": _marks,
    "temperature_changed": "The temperature went from {low_c:g} to {high_c:g} °C within the prep: body and "
    "lens grow with it, by about 1.2 µm a kelvin on 52 mm of aluminium. Read again what was read at the "
    "other end.",
    "other_stop": "{unit} was read at {stops}; it is listed as f/{kit:g}. The readings' own stop was taken.",
}
_ON_PAGE = "on the page of the lens or in the house's list"
_IN_HOUSE: Mapping[str, Words] = {
    "rounding_assumed": lambda unit, n: _rounding(unit, n, _ON_PAGE),
    "marks_assumed": lambda unit, n: _marks(unit, n, _ON_PAGE),
    **REMEDY_WORDS_IN_HOUSE,
    **FILE_WORDS_IN_HOUSE,
    "internal_focus": f"{_INTERNAL} A table of its focal length by distance removes it; the interface takes "
    "one, as by_distance.",
    "beyond_table": f"{{unit}} was read beyond its table of focal lengths by distance{_BEYOND} table.",
    "unknown_separation": f"{_SEPARATION} Give Principal planes apart on the lens's page to remove it.",
}
"""Where a house has another place, or another way, than a kit file."""
_GROUPED = frozenset({"internal_focus", "beyond_table", "unknown_separation"})
"""Codes whose notices about several lenses make one sentence."""
