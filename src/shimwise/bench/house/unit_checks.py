"""Facts of a body, a lens or a set: checked as in the kit file, refused by the wrong field."""

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

from shimwise.bench.errors import AllRefusals, InputError
from shimwise.bench.house.unit_knowledge import mechanism_json, mechanism_of
from shimwise.bench.house.views import BodyFacts, LensFacts, MechanismFacts, SetFacts
from shimwise.bench.typed_names import optional_name, typed_name, typed_note
from shimwise.bench.typed_numbers import check_number
from shimwise.errors import RemedyError
from shimwise.files.limits import (
    COC_UM,
    ERROR_UM,
    FNUMBER,
    FOCAL_MM,
    NEAR_MM,
    PIXEL_PITCH_UM,
    SEPARATION_MM,
    SQUEEZE,
    TOLERANCE_UM,
)
from shimwise.inference.model.prep import FocusDesign

MECHANISMS = ("screw", "shimmed mount", "fixed")
MOST_FOCAL_LENGTHS, MOST_TABLE_ROWS, MOST_LENSES, MOST_MARKS = 12, 50, 100, 60


def checked_unit(facts: BodyFacts | LensFacts) -> BodyFacts | LensFacts:
    """Return a unit's facts, names cleaned; errors as :func:`checked_body`."""
    return checked_body(facts) if isinstance(facts, BodyFacts) else checked_lens(facts)


def checked_body(facts: BodyFacts) -> BodyFacts:
    """Return a body's facts, names cleaned.

    Raises
    ------
    InputError
        If one of them cannot be: with its field.
    """
    with AllRefusals() as refusals:
        refusals.of(_check_history, facts)
        refusals.of(check_number, facts.pixel_pitch_um, PIXEL_PITCH_UM, field="pixel_pitch_um")
        refusals.of(check_number, facts.circle_of_confusion_um, COC_UM, field="circle_of_confusion_um")
        refusals.of(check_number, facts.tolerance_um, TOLERANCE_UM, field="tolerance_um")
        refusals.of(_checked_words, facts)
        refusals.of(_checked_mechanism, facts.mechanism)
    return replace(
        facts,
        **_checked_words(facts),
        history_mean_um=_mean(facts),
        mechanism=_checked_mechanism(facts.mechanism),
    )


def checked_lens(facts: LensFacts) -> LensFacts:
    """Return a lens's facts, names cleaned; errors as :func:`checked_body`."""
    with AllRefusals() as refusals:
        refusals.of(_check_history, facts)
        refusals.of(_check_focal, facts.focal_lengths_mm)
        refusals.of(check_number, facts.fnumber, FNUMBER, field="fnumber")
        refusals.of(check_number, facts.separation_mm, SEPARATION_MM, field="separation_mm")
        refusals.of(check_number, facts.squeeze, SQUEEZE, field="squeeze")
        refusals.of(check_number, facts.near_mm, NEAR_MM, field="near_mm")
        refusals.of(_check_marks, facts.marks_mm)
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
    """Return name, serial, mount and note, cleaned; all that cannot be is refused together."""
    words: dict[str, Any] = {}
    with AllRefusals() as refusals:
        for field, clean in (("name", typed_name), ("serial", optional_name), ("mount", optional_name)):
            words[field] = refusals.of(clean, getattr(facts, field), field=field) or ""
        words["note"] = refusals.of(typed_note, facts.note) or ""
    return words


def checked_set(facts: SetFacts) -> SetFacts:
    """Return a set's facts, its name cleaned, each lens once; errors as :func:`checked_body`."""
    lens_ids = tuple(dict.fromkeys(facts.lens_ids))
    if len(lens_ids) > MOST_LENSES:
        raise InputError(f"are {len(lens_ids)}; a set has at most {MOST_LENSES} lenses.", field="lens_ids")
    return SetFacts(name=typed_name(facts.name, field="name"), lens_ids=lens_ids, note=typed_note(facts.note))


def _check_history(facts: BodyFacts | LensFacts) -> None:
    check_number(facts.history_mean_um, ERROR_UM, field="history_mean_um")
    check_number(facts.history_sd_um, TOLERANCE_UM, field="history_sd_um")
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
        check_number(focal_mm, FOCAL_MM, field=field)
    if len(focal_lengths_mm) > MOST_FOCAL_LENGTHS:
        raise InputError(f"are {len(focal_lengths_mm)}; at most {MOST_FOCAL_LENGTHS} are kept.", field=field)
    if any(later <= earlier for earlier, later in pairwise(focal_lengths_mm)):
        typed = ", ".join(f"{focal_mm:g}" for focal_mm in focal_lengths_mm)
        raise InputError("do not rise. Type them from short to long, each once.", field=field, typed=typed)


def _check_marks(marks_mm: tuple[float, ...]) -> None:
    field = "marks_mm"
    for mark_mm in marks_mm:
        if not math.isinf(mark_mm):
            check_number(mark_mm, NEAR_MM, field=field)
    if len(marks_mm) == 1:
        typed = f"{marks_mm[0]:g} mm"
        raise InputError(
            "is one mark. Type all that are engraved, from near to far.", field=field, typed=typed
        )
    if len(marks_mm) > MOST_MARKS:
        raise InputError(f"are {len(marks_mm)}; at most {MOST_MARKS} are kept.", field=field)
    if any(later <= earlier for earlier, later in pairwise(marks_mm)):
        typed = ", ".join(f"{mark_mm:g}" for mark_mm in marks_mm) + " mm"
        raise InputError(
            "are out of order. Sort them from near to far, each mark once.", field=field, typed=typed
        )


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
            check_number(distance_mm, NEAR_MM, field=field)
        check_number(focal_mm, FOCAL_MM, field=field)
        check_number(separation_mm, SEPARATION_MM, field=field)
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
