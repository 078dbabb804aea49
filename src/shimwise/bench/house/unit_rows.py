"""Rows of the house in the record, as the facts of units and as the pages show them."""

import math
from collections.abc import Mapping
from typing import Any, overload

from shimwise.bench.house.unit_knowledge import body_text, lens_text, mechanism_facts, mechanism_json
from shimwise.bench.house.views import (
    BodyFacts,
    LensFacts,
    PastAdjustment,
    PastVerdict,
    SetView,
    UnitView,
    UsedIn,
)
from shimwise.fields import build_from
from shimwise.inference.verdict.answer import Verdict
from shimwise.inference.verdict.unit_state import StateCode
from shimwise.record.tables.rows import AdjustmentRow, BodyRow, LensRow, PrepLine, SetRow, UnitLineRow
from shimwise.sheets.words.shared import plus_minus_text
from shimwise.sheets.words.state_words import STATE_WORDS, VERDICT_WORDS


@overload
def row_of(facts: BodyFacts, *, id: str) -> BodyRow: ...
@overload
def row_of(facts: LensFacts, *, id: str) -> LensRow: ...
def row_of(facts: BodyFacts | LensFacts, *, id: str) -> BodyRow | LensRow:  # noqa: A002
    """Return the row that keeps a unit."""
    if isinstance(facts, BodyFacts):
        return build_from(BodyRow, facts, id=id, mechanism=mechanism_json(facts.mechanism))
    return build_from(LensRow, facts, id=id)


def facts_of(row: BodyRow | LensRow) -> BodyFacts | LensFacts:
    """Return what is known of a unit; nan for an f-number that is not."""
    if isinstance(row, BodyRow):
        return build_from(BodyFacts, row, mechanism=mechanism_facts(row.mechanism))
    return build_from(
        LensFacts,
        row,
        fnumber=math.nan if row.fnumber is None else row.fnumber,
        focus_design=row.focus_design or "",
        squeeze=row.squeeze or 1.0,
        marks_mm=tuple(row.marks_mm or ()),
    )


def unit_view(row: BodyRow | LensRow, latest: PastVerdict | None = None) -> UnitView[Any]:
    """Return a unit as lists show it."""
    kind, text = ("body", body_text(row)) if isinstance(row, BodyRow) else ("lens", lens_text(row))
    return UnitView(id=row.id, kind=kind, text=text, epoch=row.epoch, latest=latest, facts=facts_of(row))


def set_view(row: SetRow, names: Mapping[str, str]) -> SetView:
    """Return a set as lists show it; ``names`` are those of the lenses by id."""
    return build_from(SetView, row, lens_names=tuple(names.get(lens_id, "") for lens_id in row.lens_ids))


def used_in(row: PrepLine) -> UsedIn:
    """Return a prep in which a unit was tested."""
    return build_from(UsedIn, row, prep_id=row.id)


def adjustment_view(row: AdjustmentRow) -> PastAdjustment:
    """Return an adjustment of a unit."""
    return build_from(PastAdjustment, row, prep_id=row.prep_id or "")


def past_view(row: UnitLineRow) -> PastVerdict:
    """Return what a verdict of the past found of a unit."""
    numbers = {name: _number(getattr(row, name)) for name in ("error_um", "sd_um", "low_um", "high_um")}
    half_um = (numbers["high_um"] - numbers["low_um"]) / 2
    return build_from(
        PastVerdict,
        row,
        **numbers,
        verdict_words=STATE_WORDS[StateCode(row.state)] if row.state else VERDICT_WORDS[Verdict(row.verdict)],
        error_words=f"{plus_minus_text(numbers['error_um'], half_um)} µm",
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
