"""Between the rows of the house in the record and what is said and shown of them."""

import math
from typing import TYPE_CHECKING

from shimwise.bench.house.unit_knowledge import body_text, lens_text, mechanism_facts, mechanism_json
from shimwise.bench.house.views import (
    AdjustmentView,
    BodyFacts,
    BodyView,
    LensFacts,
    LensView,
    PastVerdict,
    SetView,
    UsedIn,
)
from shimwise.inference.verdict.answer import Verdict
from shimwise.record.tables.rows import BodyRow, LensRow
from shimwise.sheets.words.shared import VERDICT_WORDS, plus_minus_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimwise.record.tables.rows import AdjustmentRow, PrepLineRow, SetRow, UnitLineRow

__all__ = [
    "adjustment_view",
    "body_facts",
    "body_row",
    "body_view",
    "lens_facts",
    "lens_row",
    "lens_view",
    "past_view",
    "set_view",
    "used_in",
]


def body_row(facts: BodyFacts, *, id: str, epoch: int = 0) -> BodyRow:  # noqa: A002
    """Give the row that keeps a body."""
    return BodyRow(
        id=id,
        name=facts.name,
        serial=facts.serial,
        mount=facts.mount,
        pixel_pitch_um=facts.pixel_pitch_um,
        circle_of_confusion_um=facts.circle_of_confusion_um,
        tolerance_um=facts.tolerance_um,
        mechanism=mechanism_json(facts.mechanism),
        history_mean_um=facts.history_mean_um,
        history_sd_um=facts.history_sd_um,
        epoch=epoch,
        note=facts.note,
        is_retired=facts.is_retired,
    )


def body_facts(row: BodyRow) -> BodyFacts:
    """Give what is known of a body."""
    return BodyFacts(
        name=row.name,
        serial=row.serial,
        mount=row.mount,
        history_mean_um=row.history_mean_um,
        history_sd_um=row.history_sd_um,
        note=row.note,
        is_retired=row.is_retired,
        pixel_pitch_um=row.pixel_pitch_um,
        circle_of_confusion_um=row.circle_of_confusion_um,
        tolerance_um=row.tolerance_um,
        mechanism=mechanism_facts(row.mechanism),
    )


def lens_row(facts: LensFacts, *, id: str, epoch: int = 0) -> LensRow:  # noqa: A002
    """Give the row that keeps a lens; infinity in its table is kept as null."""
    return LensRow(
        id=id,
        name=facts.name,
        serial=facts.serial,
        mount=facts.mount,
        focal_lengths_mm=tuple(facts.focal_lengths_mm),
        fnumber=facts.fnumber,
        separation_mm=facts.separation_mm,
        focus_design=facts.focus_design,
        squeeze=facts.squeeze,
        by_distance=tuple(facts.by_distance),
        near_mm=facts.near_mm,
        history_mean_um=facts.history_mean_um,
        history_sd_um=facts.history_sd_um,
        epoch=epoch,
        note=facts.note,
        is_retired=facts.is_retired,
        scale_unit=facts.scale_unit,
    )


def lens_facts(row: LensRow) -> LensFacts:
    """Give what is known of a lens."""
    return LensFacts(
        name=row.name,
        serial=row.serial,
        mount=row.mount,
        history_mean_um=row.history_mean_um,
        history_sd_um=row.history_sd_um,
        note=row.note,
        is_retired=row.is_retired,
        focal_lengths_mm=tuple(row.focal_lengths_mm),
        fnumber=math.nan if row.fnumber is None else row.fnumber,
        separation_mm=row.separation_mm,
        focus_design=row.focus_design or "",
        squeeze=row.squeeze or 1.0,
        by_distance=tuple((d, f, h) for d, f, h in row.by_distance or ()),
        near_mm=row.near_mm,
        scale_unit=row.scale_unit,
    )


def body_view(row: BodyRow, latest: PastVerdict | None = None) -> BodyView:
    """Show a body in a list."""
    return BodyView(
        id=row.id, kind="body", text=body_text(row), epoch=row.epoch, latest=latest, facts=body_facts(row)
    )


def lens_view(row: LensRow, latest: PastVerdict | None = None) -> LensView:
    """Show a lens in a list."""
    return LensView(
        id=row.id, kind="lens", text=lens_text(row), epoch=row.epoch, latest=latest, facts=lens_facts(row)
    )


def set_view(row: "SetRow", names: "Mapping[str, str]") -> SetView:
    """Show a set; ``names`` are the lenses' by id."""
    return SetView(
        id=row.id,
        name=row.name,
        note=row.note,
        lens_ids=tuple(row.lens_ids),
        lens_names=tuple(names.get(lens_id, "") for lens_id in row.lens_ids),
    )


def used_in(row: "PrepLineRow") -> UsedIn:
    """Show a prep in which a unit was tested."""
    return UsedIn(
        prep_id=row.id,
        title=row.title,
        state=row.state,
        started_at=row.started_at,
        started_by=row.started_by,
    )


def adjustment_view(row: "AdjustmentRow") -> AdjustmentView:
    """Show an adjustment."""
    return AdjustmentView(
        id=row.id,
        prep_id=row.prep_id or "",
        made_at=row.made_at,
        made_by=row.made_by,
        action=row.action,
        amount_um=row.amount_um,
        amount_sd_um=row.amount_sd_um,
        turns=row.turns,
        epoch_before=row.epoch_before,
        epoch_after=row.epoch_after,
        note=row.note,
    )


def past_view(row: "UnitLineRow") -> PastVerdict:
    """Show what a verdict said of a unit at the time."""
    low, high, error = (_number(value) for value in (row.low_um, row.high_um, row.error_um))
    return PastVerdict(
        prep_id=row.prep_id,
        prep_title=row.prep_title,
        given_at=row.given_at,
        epoch=row.epoch,
        error_um=error,
        sd_um=_number(row.sd_um),
        low_um=low,
        high_um=high,
        verdict=row.verdict,
        verdict_words=VERDICT_WORDS[Verdict(row.verdict)],
        error_words=f"{plus_minus_text(error, (high - low) / 2)} µm",
    )


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
