"""What may be said of a body, a lens or a set: checked as in the kit file, refused by the wrong field."""

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any, NamedTuple

from shimwise.bench.errors import AllRefusals, InputError
from shimwise.bench.house.unit_knowledge import mechanism_json, mechanism_of
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts
from shimwise.bench.typed_names import optional_name, typed_name, typed_note
from shimwise.errors import RemedyError
from shimwise.files.csv_fields import FARTHEST_MM, FNUMBER, FOCAL_MM, SEPARATION_MM, SQUEEZE
from shimwise.files.kit_file import LARGEST_ERROR_UM
from shimwise.inference.model.prep import FocusDesign

__all__ = ["LEAST_SD_UM", "checked_body", "checked_lens", "checked_set"]

MECHANISMS = ("screw", "shimmed mount", "fixed")
LEAST_SD_UM = 0.01
"""Ten nanometres: nobody knows a unit better, and a smaller tolerance is a slip of the unit."""
MOST_FOCAL_LENGTHS, MOST_TABLE_ROWS, MOST_LENSES = 12, 50, 100


class _Range(NamedTuple):
    """A number's limits and unit; ``is_open``: the lower limit itself is not taken."""

    low: float
    high: float
    unit: str
    is_open: bool = False


_ERROR = _Range(-LARGEST_ERROR_UM, LARGEST_ERROR_UM, "µm")
_SD = _Range(LEAST_SD_UM, LARGEST_ERROR_UM, "µm")
_NEAR = _Range(0.0, FARTHEST_MM, "mm", is_open=True)


def checked_body(facts: BodyFacts) -> BodyFacts:
    """Give a body's facts, names cleaned.

    Raises
    ------
    InputError
        When one of them cannot be: with its field.
    """
    with AllRefusals() as refusals:
        refusals.of(_check_history, facts)
        refusals.of(_check, "pixel_pitch_um", facts.pixel_pitch_um, _Range(0.5, 100.0, "µm"))
        refusals.of(_check, "circle_of_confusion_um", facts.circle_of_confusion_um, _Range(1.0, 500.0, "µm"))
        refusals.of(_check, "tolerance_um", facts.tolerance_um, _SD)
        refusals.of(_checked_words, facts)
        refusals.of(_checked_mechanism, facts.mechanism)
    return replace(
        facts,
        **_checked_words(facts),
        history_mean_um=_mean(facts),
        mechanism=_checked_mechanism(facts.mechanism),
    )


def checked_lens(facts: LensFacts) -> LensFacts:
    """Give a lens's facts, names cleaned; errors as :func:`checked_body`."""
    with AllRefusals() as refusals:
        refusals.of(_check_history, facts)
        refusals.of(_check_focal, facts.focal_lengths_mm)
        refusals.of(_check, "fnumber", facts.fnumber, _Range(*FNUMBER, ""))
        refusals.of(_check, "separation_mm", facts.separation_mm, _Range(*SEPARATION_MM, "mm"))
        refusals.of(_check, "squeeze", facts.squeeze, _Range(*SQUEEZE, ""))
        refusals.of(_check, "near_mm", facts.near_mm, _NEAR)
        refusals.of(_check_choices, facts)
        refusals.of(_checked_words, facts)
        refusals.of(_checked_table, facts)
    return replace(
        facts, **_checked_words(facts), history_mean_um=_mean(facts), by_distance=_checked_table(facts)
    )


def _check_choices(facts: LensFacts) -> None:
    if facts.focus_design and facts.focus_design not in list(FocusDesign):
        raise InputError(
            f"is not known; accepted is {' or '.join(FocusDesign)}, or nothing.",
            field="focus_design",
            typed=facts.focus_design,
        )
    if facts.scale_unit not in ("ft", "m"):
        raise InputError(
            "is no unit of a scale; accepted is ft or m.", field="scale_unit", typed=facts.scale_unit
        )


def _checked_words(facts: BodyFacts | LensFacts) -> dict[str, Any]:
    """Give name, serial, mount and note, cleaned; all that cannot be is refused together."""
    words: dict[str, Any] = {}
    with AllRefusals() as refusals:
        for field, clean in (("name", typed_name), ("serial", optional_name), ("mount", optional_name)):
            words[field] = refusals.of(clean, getattr(facts, field), field=field) or ""
        words["note"] = refusals.of(typed_note, facts.note) or ""
    return words


def checked_set(facts: SetFacts) -> SetFacts:
    """Give a set's facts, its name cleaned, each lens once; errors as :func:`checked_body`."""
    lens_ids = tuple(dict.fromkeys(facts.lens_ids))
    if len(lens_ids) > MOST_LENSES:
        raise InputError(f"are {len(lens_ids)}; a set has at most {MOST_LENSES} lenses.", field="lens_ids")
    return SetFacts(name=typed_name(facts.name, field="name"), lens_ids=lens_ids, note=typed_note(facts.note))


def _check(field: str, value: float | None, limits: _Range) -> None:
    if value is None:
        return
    low, high, unit, is_open = limits
    if math.isfinite(value) and low <= value <= high and not (is_open and value == low):
        return
    range_text = f"above {low:g} and up to {high:g}" if is_open else f"from {low:g} to {high:g}"
    raise InputError(
        f"is out of range; accepted is {range_text} {unit}".rstrip() + ".", field=field, typed=f"{value:g}"
    )


def _check_history(facts: BodyFacts | LensFacts) -> None:
    _check("history_mean_um", facts.history_mean_um, _ERROR)
    _check("history_sd_um", facts.history_sd_um, _SD)
    if facts.history_mean_um is not None and facts.history_sd_um is None:
        raise InputError(
            "stands without its standard uncertainty. Type how sure it is.",
            field="history_sd_um",
            typed=f"{facts.history_mean_um:g}",
        )


def _mean(facts: BodyFacts | LensFacts) -> float | None:
    """History's mean: 0 where only its uncertainty is given."""
    if facts.history_sd_um is not None and facts.history_mean_um is None:
        return 0.0
    return facts.history_mean_um


def _check_focal(focal_lengths_mm: tuple[float, ...]) -> None:
    field = "focal_lengths_mm"
    if not focal_lengths_mm:
        raise InputError("is empty. Type the focal length, or those of a zoom.", field=field)
    for focal_mm in focal_lengths_mm:
        _check(field, focal_mm, _Range(*FOCAL_MM, "mm"))
    if len(focal_lengths_mm) > MOST_FOCAL_LENGTHS:
        raise InputError(f"are {len(focal_lengths_mm)}; at most {MOST_FOCAL_LENGTHS} are kept.", field=field)
    if any(later <= earlier for earlier, later in pairwise(focal_lengths_mm)):
        typed = ", ".join(f"{focal_mm:g}" for focal_mm in focal_lengths_mm)
        raise InputError("do not rise. Type them from short to long, each once.", field=field, typed=typed)


def _checked_table(facts: LensFacts) -> tuple[tuple[float, float, float], ...]:
    field = "by_distance"
    if facts.by_distance and len(facts.focal_lengths_mm) > 1:
        raise InputError(
            "is for a lens of one focal length; this one is a zoom. Leave the table away.", field=field
        )
    if len(facts.by_distance) > MOST_TABLE_ROWS:
        raise InputError(
            f"has {len(facts.by_distance)} rows; at most {MOST_TABLE_ROWS} are kept.", field=field
        )
    for distance_mm, focal_mm, separation_mm in facts.by_distance:
        if not math.isinf(distance_mm):
            _check(field, distance_mm, _NEAR)
        _check(field, focal_mm, _Range(*FOCAL_MM, "mm"))
        _check(field, separation_mm, _Range(*SEPARATION_MM, "mm"))
    if any(later[0] <= earlier[0] for earlier, later in pairwise(facts.by_distance)):
        raise InputError(
            "has rows out of order. Sort them from near to far, each distance once.", field=field
        )
    return facts.by_distance


def _checked_mechanism(facts: MechanismFacts | None) -> MechanismFacts | None:
    if facts is None:
        return None
    if facts.kind not in MECHANISMS:
        raise InputError(
            f"is no mechanism; accepted is {', '.join(MECHANISMS)}.", field="mechanism", typed=facts.kind
        )
    try:
        mechanism_of(mechanism_json(facts))
    except (RemedyError, ValueError) as error:
        raise InputError(str(error), field="mechanism", typed=facts.kind) from error
    return facts
