"""Notices in words: a table from code to sentence, once for every door.

A house keeps its units on pages; without one they are in a kit file. A sentence that names the place has both
forms.
"""

from collections.abc import Iterable, Mapping
from itertools import groupby
from typing import Any

from shimwise.notices import Notice
from shimwise.number_format import decimal_text
from shimwise.sheets.words.remedy_words import REMEDY_WORDS, REMEDY_WORDS_IN_HOUSE, Numbers, Words
from shimwise.sheets.words.shared import listed

__all__ = ["as_written", "joined_text", "notice_json", "notice_text", "notice_texts"]

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
    for code, group in groupby(notices, key=lambda one: one.code if one.code in _GROUPED else id(one)):
        of_code = list(group)
        if code in _GROUPED:
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


def as_written(text: str) -> Notice:
    """Return a sentence without a code as a notice."""
    return Notice(AS_WRITTEN, numbers={"text": text})


def _text(code: str, unit: str, numbers: Numbers, *, is_house: bool) -> str:
    words = (_IN_HOUSE.get(code) if is_house else None) or _WORDS.get(code)
    if words is None:
        return f"{unit}: {code}."
    return words if isinstance(words, str) else words(unit, numbers)


def _um(value: float | str | None, digits: int = 1) -> str:
    return f"{float(value or 0.0):.{digits}f}"


# The judge: how readings were converted and pooled.


def _mixed_stops(unit: str, n: Numbers) -> str:
    return (
        f"{unit} was read at different stops ({n['stops']}). Stopping down can shift best focus by tens of "
        f"microns: readings away from f/{n['widest']:g} are judged with a shift of their own."
    )


def _setup_distances(unit: str, n: Numbers) -> str:
    return f"Set-up {unit} has {n['count']:g} distances; each is judged as its own tape."


def _internal_focus(unit: str, _: Numbers) -> str:
    return f"{_INTERNAL.format(unit)} A by_distance table in the kit removes it."


def _internal_focus_in_house(unit: str, _: Numbers) -> str:
    return (
        f"{_INTERNAL.format(unit)} A table of its focal length by distance removes it; the interface takes "
        "one, as by_distance."
    )


def _beyond_table(unit: str, _: Numbers) -> str:
    return f"{_BEYOND.format(unit, 'by_distance table')} Add the distance to the kit."


def _beyond_table_in_house(unit: str, _: Numbers) -> str:
    return f"{_BEYOND.format(unit, 'table of focal lengths by distance')} Add the distance to the table."


def _unknown_separation(unit: str, _: Numbers) -> str:
    return f"{_SEPARATION.format(unit)} Give principal_separation_mm to remove it."


def _unknown_separation_in_house(unit: str, _: Numbers) -> str:
    return f"{_SEPARATION.format(unit)} Give Principal planes apart on the lens's page to remove it."


_INTERNAL = (
    "{}: a zoom, or a lens that focuses inside. Its landings are right in sign but may be off in size by "
    "half at 3 ft; the intervals allow for that."
)
_BEYOND = (
    "{} was read beyond its {}; the last row was taken, and the landing's size may be off as of a lens "
    "without a table."
)
_SEPARATION = (
    "{}: the separation of the principal planes is not known. Landings may be off in size by some 4 % at "
    "3 ft; the intervals allow for that."
)


# The judge: what limits the numbers.


def _datum_limit(unit: str, n: Numbers) -> str:
    return (
        f"However many readings are taken with these lenses, {unit} cannot be known better than "
        f"±{_um(n['limit_um'])} µm (95 %): the lenses' own errors are not known well enough. A depth gauge "
        f"on the body (standard uncertainty {n['gauge_sd_um']:g} µm) would bring it to "
        f"±{_um(n['with_gauge_um'])}, one lens known to {n['known_lens_sd_um']:g} µm to "
        f"±{_um(n['with_known_lens_um'])}."
    )


def _history_widened(_: str, n: Numbers) -> str:
    return (
        "The lenses differ from each other more than their histories allow; these were taken "
        f"{_um(n['factor'])} times wider. Check that the histories belong to these lenses."
    )


def _single_reading(_: str, __: Numbers) -> str:
    return (
        "One reading only: it tells the sum of a body's and a lens's error, not whose it is. Whether it is a "
        "blunder, a second reading tells."
    )


def _knocked(unit: str, n: Numbers) -> str:
    shift_um, sd_um = float(n["shift_um"] or 0.0), float(n["sd_um"] or 0.0)
    return (
        f"{unit} {'lay' if n['is_past'] else 'lies'} {decimal_text(abs(shift_um))} ± "
        f"{decimal_text(2 * sd_um)} µm {'short' if shift_um < 0 else 'deep'} of where it was remembered: it "
        "may have been knocked or worked on without a note, or another one was read under its name. What was "
        "remembered of it is set aside. Look at its mount, and check that the name is right."
    )


_WORDS: Mapping[str, Words] = {
    **REMEDY_WORDS,
    AS_WRITTEN: lambda _, n: str(n["text"]),
    "mixed_stops": _mixed_stops,
    "setup_distances": _setup_distances,
    "internal_focus": _internal_focus,
    "beyond_table": _beyond_table,
    "unknown_separation": _unknown_separation,
    "datum_limit": _datum_limit,
    "history_widened": _history_widened,
    "single_reading": _single_reading,
    "knocked": _knocked,
}
_IN_HOUSE: Mapping[str, Words] = {
    **REMEDY_WORDS_IN_HOUSE,
    "internal_focus": _internal_focus_in_house,
    "beyond_table": _beyond_table_in_house,
    "unknown_separation": _unknown_separation_in_house,
}
_GROUPED = frozenset({"internal_focus", "beyond_table", "unknown_separation"})
