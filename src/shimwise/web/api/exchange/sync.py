"""A machine that was away comes home over the network: what both compare, and what it brings and takes."""

import json
from dataclasses import asdict, dataclass
from typing import Annotated, Any, Literal

from fastapi import Response
from pydantic import AwareDatetime, Field, StringConstraints

from shimwise.bench.exchange.sync_plan import KINDS
from shimwise.bench.exchange.sync_side import RecordSide, SyncHead
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import JSON, WRITES, Call, CallDep, file_response
from shimwise.web.api.kinds import PLAIN, Id, In, Who
from shimwise.web.problems import documented

router = AnswerRouter(tags=["sync"], responses=documented(422, 503))
MOST_PREPS = 200_000
Seq = Annotated[int, Field(ge=-1, le=2**62)]
Digest = Annotated[str, StringConstraints(pattern=r"^([0-9a-f]{64})?$")]
Machine = Annotated[str, StringConstraints(max_length=80, pattern=PLAIN), Field(examples=["truck 2"])]


@dataclass(frozen=True, slots=True)
class PrepPut:
    """A prep was put: ``seq`` is the number of its last line in the journal here."""

    seq: int


class HeadIn(In):
    """Who comes home."""

    is_dry_run: bool = Field(False, description="Keep nothing, not even a name of this house.")
    who: Who


class CompareIn(In):
    """What a machine has: for each of its preps the line of this journal at which both were one, or -1."""

    known: Annotated[dict[Id, Seq], Field(max_length=MOST_PREPS)] | None = Field(
        None, description="Null: no preps are compared, units alone."
    )
    has_all: bool = Field(False, description="All preps of this house, not the open ones alone.")
    who: Who


class UnitPut(In):
    """A body, a lens or a set, in the place of the one with the digest ``expected``; empty: there is none."""

    entry: dict[str, Any] = Field(description=f"An entry of the comparison: {', '.join(KINDS[:3])}.")
    expected: Digest = ""
    who: Who


class PrepDocumentIn(In):
    """A prep, in the place of the one whose journal ended at ``expected``; 0: there is none.

    ``beside`` takes what only this house had of it, if a signed prep is kept.
    """

    document: dict[str, Any] = Field(description="A document shimwise.prep/1.")
    beside: dict[str, Any] | None = None
    expected: Annotated[int, Field(ge=0, le=2**62)] = 0
    is_dry_run: bool = Field(False, description="Look at its signatures alone, and keep nothing.")
    who: Who
    machine: Machine = ""


class DatedAdjustmentIn(In):
    """An adjustment, and when it was made by this house's clock."""

    id: Id
    at: AwareDatetime


class EpochsIn(In):
    """The adjustments of a unit since the epoch ``base``, of both sides, in their order."""

    kind: Literal["body", "lens"]
    id: Id
    base: Annotated[int, Field(ge=0, le=10_000)]
    order: Annotated[list[DatedAdjustmentIn], Field(min_length=1, max_length=500)]
    who: Who


def _home(call: Call, who: str, *, machine: str = "") -> RecordSide:
    """Return this house as the side that a machine comes home to."""
    return RecordSide(call.record, who=call.who(who), is_home=True, machine=machine)


@router.post("/sync", **WRITES)
def head(call: CallDep, sent: HeadIn) -> SyncHead:
    """Tell which house this is, its version, and the time by its clock; the first time it takes a name."""
    return _home(call, sent.who).head(is_dry_run=sent.is_dry_run)


@router.post("/sync/compare", **{**WRITES, **file_response(JSON, "What is here.", 400, 413, 415)})
def compare(call: CallDep, sent: CompareIn) -> Response:
    """Return all units and sets, the preps that are named and the open ones: what is compared of each."""
    found = _home(call, sent.who).compared(sent.known, has_all=sent.has_all)
    text = json.dumps(asdict(found), ensure_ascii=False, allow_nan=False)
    return Response(text, media_type=JSON)


@router.post("/sync/units", status_code=204, **WRITES)
def put_unit(call: CallDep, sent: UnitPut) -> None:
    """Put a unit or a set as a machine that came home has it."""
    _home(call, sent.who).put_sent_unit(sent.entry, expected=sent.expected)


@router.post("/sync/epochs", status_code=204, **WRITES)
def order_epochs(call: CallDep, sent: EpochsIn) -> None:
    """Give each adjustment of a unit that both sides adjusted an epoch of its own, in order of time."""
    order = [(one.id, one.at) for one in sent.order]
    _home(call, sent.who).order_epochs(sent.kind, sent.id, base=sent.base, order=order)


@router.post("/sync/preps", **WRITES)
def put_prep(call: CallDep, sent: PrepDocumentIn) -> PrepPut:
    """Put a prep as a machine that came home has it, checked as an imported one is."""
    side = _home(call, sent.who, machine=sent.machine)
    if sent.is_dry_run:
        side.check_prep(sent.document)
        return PrepPut(seq=sent.expected)
    seq = side.put_prep(sent.document, expected=sent.expected, beside=sent.beside)
    for document in (sent.document, sent.beside):
        if document is not None:
            call.judge_soon(document["prep"]["id"], None, is_needed=document["prep"].get("state") != "signed")
    return PrepPut(seq=seq)
