"""Requests of guided adjustments and of the house's shims."""

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from shimwise.web.api.kinds import Id, In, NewId, OptionalReason, Reason, Who

StepId = Annotated[
    str,
    StringConstraints(min_length=1, max_length=40),
    Field(description="Id of the step, as the adjustment has it.", examples=["lock"]),
]


class AdjustmentIn(In):
    """An adjustment to begin."""

    id: NewId = None
    unit_kind: Literal["body", "lens"]
    unit_id: Id
    reason: Annotated[OptionalReason, Field(description="Needed for a unit that is not judged out.")] = ""
    who: Who


class PeakIn(In):
    """Where it is sharpest along the screw: a sweep listed by turns, else by eye, found anew each time."""

    sweep: Annotated[
        dict[str, Any] | None, Field(description="``shimwise.sweep/2`` with ``best_turns``.")
    ] = None
    sweep_id: Annotated[
        Id | None,
        Field(description="Instead: a sweep along the screw, kept since the adjustment was begun."),
    ] = None
    sharpest: Annotated[
        str, StringConstraints(max_length=200), Field(examples=["0.10 0.12 0.11 clockwise"])
    ] = ""
    who: Who


class AnswerIn(In):
    """The answer to a step: one of its choices, or what was done."""

    step: StepId
    answer: Annotated[
        str,
        StringConstraints(min_length=1, max_length=200),
        Field(examples=["done", "was free", "0.08 turn clockwise", "in 50 out 20"]),
    ]
    note: Annotated[str, StringConstraints(max_length=1000)] = ""
    consent: Annotated[
        str, StringConstraints(max_length=200), Field(description="Who consented, where a lock was released.")
    ] = ""
    who: Who


class TakeBackIn(In):
    """A step that was answered wrongly, and why it is taken back."""

    step: StepId
    reason: Reason
    who: Who


class GiveUpIn(In):
    """Why an adjustment is given up."""

    reason: Reason
    who: Who


class ShimIn(In):
    """How many shims there are of a thickness."""

    thickness_um: Annotated[float, Field(ge=1, le=2000, examples=[50.0])]
    count: Annotated[int, Field(ge=0, le=10000, examples=[4])]


class ShimStockIn(In):
    """The shims that were counted; they replace what was known."""

    shims: Annotated[list[ShimIn], Field(max_length=24)]
    who: Who
