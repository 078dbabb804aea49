"""What the interface takes and gives of signatures, re-checks, adjustments, shims and verified papers."""

from typing import Annotated, Any, Literal

from pydantic import Field, StringConstraints

from shimwise.web.api.kinds import PLAIN, DistanceMm, Id, In, Name, NewId, Number, Out, When, Who

__all__ = [
    "AdjustmentIn",
    "AdjustmentOut",
    "AdjustmentsOut",
    "AnswerIn",
    "BeforeAfterListOut",
    "FindingsOut",
    "GiveUpIn",
    "LeadsIn",
    "LeadsOut",
    "RecheckListOut",
    "ReopenIn",
    "ShimStockIn",
    "ShimStockOut",
    "SignIn",
    "SignOffOut",
    "SignOffsOut",
    "TakeBackIn",
    "UndecidedListOut",
    "VerifyIn",
]

Reason = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200, pattern=PLAIN),
    Field(examples=["the owner needs it today"]),
]
OptionalReason = Annotated[str, StringConstraints(max_length=200, pattern=PLAIN)]
StepId = Annotated[
    str,
    StringConstraints(min_length=1, max_length=40),
    Field(description="Id of the step, as the adjustment has it.", examples=["lock"]),
]


class ExceptionIn(In):
    """A unit that goes out undecided: why, and who answers for it (empty: who signs)."""

    unit_id: Id
    reason: Reason
    name: Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)] = ""


class SignIn(In):
    """A signature."""

    id: NewId = None
    exceptions: Annotated[list[ExceptionIn], Field(max_length=120)] = Field(default_factory=list)
    who: Who


class ReopenIn(In):
    """Who opens a prep again; a signed one only with a reason."""

    who: Who
    reason: Annotated[OptionalReason, Field(description="Needed where the prep is signed.")] = ""


class ExceptionOut(Out):
    """An exception that was signed."""

    unit_id: Id
    unit: str
    reason: str
    name: str


class SignOffOut(Out):
    """A signature; ``is_standing``: the prep was not opened again since."""

    id: Id
    prep_id: Id
    revision: int
    signed_by: str
    signed_at: When
    digest: Annotated[str, Field(description="SHA-256 of what was signed, 64 hexadecimal digits.")]
    digest_words: str
    exceptions: tuple[ExceptionOut, ...]
    is_standing: bool


class SignOffsOut(Out):
    """The signatures of a prep, oldest first."""

    sign_offs: tuple[SignOffOut, ...]


class UndecidedOut(Out):
    """A unit that stands in the way of a signature."""

    unit_id: Id
    kind: Literal["body", "lens"]
    name: str
    verdict: str
    words: str


class UndecidedListOut(Out):
    """All units that stand in the way."""

    undecided: tuple[UndecidedOut, ...]


class RecheckReadingOut(Out):
    """A reading to take after a move."""

    body_id: Id
    body: str
    lens_id: Id
    lens: str
    distance_mm: DistanceMm
    distance_text: str
    setup_id: str
    words: str


class RecheckOut(Out):
    """What was read of an adjusted unit since, and what is still to be read."""

    unit_id: Id
    kind: Literal["body", "lens"]
    name: str
    adjustment_id: Id
    reading_count: int
    other_count: int
    distance_count: int
    is_read: bool
    is_done: bool
    words: str
    readings: tuple[RecheckReadingOut, ...]


class RecheckListOut(Out):
    """The re-checks of a prep."""

    rechecks: tuple[RecheckOut, ...]


class BeforeAfterOut(Out):
    """A unit before and after an adjustment. [µm]"""

    adjustment_id: Id
    unit_id: Id
    kind: Literal["body", "lens"]
    name: str
    made_by: str
    made_at: When
    action: str
    amount_um: Number
    amount_sd_um: Number
    turns: Annotated[Number, Field(description="+ clockwise.")]
    before_um: Number
    before_sd_um: Number
    after_um: Number
    after_sd_um: Number
    after_verdict: str
    is_judged: Annotated[bool, Field(description="False: not judged as it stands yet, so nothing is after.")]
    change_um: Number
    change_sd_um: Number
    words: str


class BeforeAfterListOut(Out):
    """The adjustments of a prep, before and after."""

    adjustments: tuple[BeforeAfterOut, ...]


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
        dict[str, Any] | None, Field(description="``shimwise.sweep/1`` with ``best_turns``.")
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


class StepOut(Out):
    """One step of an adjustment."""

    id: str
    number: int
    text: str
    kind: Literal["choice", "text", "turns", "shims"]
    choices: tuple[str, ...]
    is_now: bool
    is_done: bool
    answer: str
    note: str
    who: str
    at: When | None


class MoveOut(Out):
    """How far to move. [µm; turns]"""

    amount_um: float
    amount_sd_um: float
    words: str
    turns: Number
    turns_sd: Number
    degrees: Number
    turn: str
    approach: str
    is_trial: bool
    peak: Annotated[str, Field(description="Where it was found sharpest along the screw, in words.")]
    put_in_um: tuple[float, ...]
    taken_out_um: tuple[float, ...]
    leftover_um: Number
    order: Annotated[tuple[tuple[float, int], ...], Field(description="(µm, count) to order.")]


class ScrewOut(Out):
    """What is known of a screw. [µm]"""

    um_per_turn: float
    um_per_turn_low: float
    um_per_turn_high: float
    backlash_um: float
    backlash_sd_um: float
    p_sense: float
    away: str
    move_count: int
    words: str


class AdjustmentOut(Out):
    """A guided adjustment."""

    id: Id
    prep_id: Id
    unit_kind: Literal["body", "lens"]
    unit_id: Id
    unit: str
    mechanism: str
    mechanism_words: str
    state: Literal["begun", "finished", "given up", "stopped"]
    begun_at: When
    begun_by: str
    steps: tuple[StepOut, ...]
    move: MoveOut
    screw: ScrewOut | None
    cautions: tuple[str, ...]
    taken_back: tuple[str, ...]
    amount_um: Number
    amount_sd_um: Number
    turns: Annotated[Number, Field(description="+ clockwise.")]


class AdjustmentsOut(Out):
    """The adjustments of a prep, as they were begun."""

    adjustments: tuple[AdjustmentOut, ...]


class ShimIn(In):
    """How many shims there are of a thickness."""

    thickness_um: Annotated[float, Field(ge=1, le=2000, examples=[50.0])]
    count: Annotated[int, Field(ge=0, le=10000, examples=[4])]


class ShimStockIn(In):
    """The shims that were counted; they replace what was known."""

    shims: Annotated[list[ShimIn], Field(max_length=24)]
    who: Who


class ShimOut(Out):
    """How many shims there are of a thickness, and how many to order."""

    thickness_um: float
    count: int
    to_order: int


class ShimStockOut(Out):
    """The house's shims; ``is_counted`` is false until somebody counted them."""

    shims: tuple[ShimOut, ...]
    is_counted: bool


class LeadsIn(In):
    """Who may open any signed prep again."""

    names: Annotated[list[Name], Field(max_length=50)]
    who: Who


class LeadsOut(Out):
    """Who may open any signed prep again."""

    names: tuple[str, ...]


class VerifyIn(In):
    """A paper to be verified: a prep document, or a PDF as base64; one of them."""

    document: Annotated[dict[str, Any] | None, Field(description="shimwise.prep/1")] = None
    pdf_base64: Annotated[str, StringConstraints(max_length=8_000_000)] = ""


class FindingOut(Out):
    """What is said of one prep of a paper."""

    prep_id: str
    title: str
    state: Annotated[
        Literal["as_signed", "altered", "older", "unknown", "not_signed"],
        Field(description="older: reopened since; unknown: this house has no such prep."),
    ]
    sentence: Annotated[str, Field(description="The answer in one sentence.")]
    digest: str
    signed_by: str
    signed_at: str
    words: Annotated[tuple[str, ...], Field(description="Why, in sentences.")]
    differing: Annotated[tuple[str, ...], Field(description="Where it differs from what was signed.")]


class FindingsOut(Out):
    """What is said of a paper's preps."""

    findings: tuple[FindingOut, ...]
