"""Whether a body or a lens drifts: its sign-offs, and how they stand to the limits."""

from typing import Annotated, Literal

from fastapi import APIRouter
from pydantic import Field

from shimwise.bench.history import drift
from shimwise.web.api.deps import RecordDep
from shimwise.web.api.kinds import Id, Number, Out, When
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["house"], responses=documented(404, 422, 503))


class DriftRowOut(Out):
    """One sign-off, and where the charts stood after it; null: nothing to compare. [µm; the rest in sd]"""

    prep_id: Id
    prep_title: str
    signed_at: When
    epoch: int
    error_um: Number
    sd_um: Number
    error_words: str
    expected_um: Number
    expected_sd_um: Number
    surprise: Number
    average: Annotated[Number, Field(description="Moving average of the surprises (EWMA).")]
    limit: Annotated[Number, Field(description="Half width of its limits.")]
    deep_sum: Annotated[Number, Field(description="Cumulative sum towards deep (CUSUM).")]
    short_sum: Number
    is_beyond: bool
    words: str


class DriftOut(Out):
    """Whether a unit drifts; ``since`` is the last sign-off that still agreed."""

    kind: Literal["body", "lens"]
    unit_id: Id
    name: str
    state: Literal["unsigned", "too_few", "steady", "drifts_short", "drifts_deep"]
    headline: str
    advice: tuple[str, ...]
    limits: str
    sum_limit: float
    sign_off_count: Annotated[int, Field(description="Since the unit was last adjusted.")]
    since: When | None
    rate_um: Annotated[Number, Field(description="A month, since then [µm].")]
    rate_sd_um: Number
    rows: tuple[DriftRowOut, ...]
    adjusted: tuple[When, ...]


@router.get("/bodies/{body_id}/drift")
def body_drift(record: RecordDep, body_id: Id) -> DriftOut:
    """Tell whether a body drifts, from what was signed of it since its last adjustment."""
    return DriftOut.model_validate(drift.body_drift(record, body_id))


@router.get("/lenses/{lens_id}/drift")
def lens_drift(record: RecordDep, lens_id: Id) -> DriftOut:
    """Tell whether a lens drifts, from what was signed of it since its last adjustment."""
    return DriftOut.model_validate(drift.lens_drift(record, lens_id))
