"""Signatures of preps, who may open them again, and whether a paper is what was signed."""

import base64
import binascii
import json
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any

from fastapi import Request
from pydantic import Field, StringConstraints

from shimwise.bench.errors import InputError
from shimwise.bench.sign import signing
from shimwise.bench.sign.papers import Finding
from shimwise.bench.sign.views import SignOffView, Undecided
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.kinds import PLAIN, Id, In, Name, NewId, OptionalReason, Reason, Who
from shimwise.web.problems import documented
from shimwise.web.verifying import Verifying

router = AnswerRouter(tags=["signing"], responses=documented(422, 503))
reads = documented(404)


class ExceptionIn(In):
    """A unit that goes out undecided: why, and who answers for it (empty: who signs)."""

    unit_id: Id
    reason: Reason
    name: Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)] = ""


class RemainingIn(In):
    """Why all other undecided units go out, and who answers for them (empty: who signs)."""

    reason: Reason
    name: Annotated[str, StringConstraints(max_length=80, pattern=PLAIN)] = ""


class SignIn(In):
    """A signature."""

    id: NewId = None
    exceptions: Annotated[list[ExceptionIn], Field(max_length=120)] = Field(default_factory=list)
    remaining: RemainingIn | None = None
    as_set: Annotated[
        bool, Field(description="Sign bodies and lenses together, for where each lens lands on each body.")
    ] = False
    who: Who


class ReopenIn(In):
    """Who opens a prep again; a signed one only with a reason."""

    who: Who
    reason: Annotated[OptionalReason, Field(description="Needed where the prep is signed.")] = ""


class LeadsIn(In):
    """Who may open any signed prep again."""

    names: Annotated[list[Name], Field(max_length=50)]
    who: Who


class VerifyIn(In):
    """A paper to be verified: a prep document, or a PDF as base64; one of them."""

    document: Annotated[dict[str, Any] | None, Field(description="shimwise.prep/1")] = None
    pdf_base64: Annotated[str, StringConstraints(max_length=8_000_000)] = ""


@dataclass(frozen=True, slots=True)
class UndecidedUnits:
    """All units that are in the way of a signature: of each unit by itself, and of all as a set."""

    undecided: tuple[Undecided, ...]
    undecided_as_set: tuple[Undecided, ...]


@dataclass(frozen=True, slots=True)
class SignOffs:
    """The signatures of a prep, oldest first."""

    sign_offs: tuple[SignOffView, ...]


@dataclass(frozen=True, slots=True)
class Leads:
    """Who may open any signed prep again."""

    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PaperFindings:
    """The findings on the preps of a paper."""

    findings: tuple[Finding, ...]


@router.get("/preps/{prep_id}/undecided", responses=reads)
def undecided(record: RecordDep, prep_id: Id) -> UndecidedUnits:
    """List the units that are in the way of a signature, and why."""
    by_itself, as_set = (signing.undecided(record, prep_id, as_set=one) for one in (False, True))
    return UndecidedUnits(by_itself, as_set)


@router.get("/preps/{prep_id}/sign-offs", responses=reads)
def list_sign_offs(record: RecordDep, prep_id: Id) -> SignOffs:
    """List the signatures of a prep, oldest first; those before it was opened again are kept."""
    return SignOffs(signing.sign_offs(record, prep_id))


@router.post("/preps/{prep_id}/sign-offs", status_code=201, **WRITES)
def sign(call: CallDep, prep_id: Id, new: SignIn) -> SignOffView:
    """Sign a prep: every unit decided, or excepted with a reason and a name; it is frozen from then on.

    As a set, for each lens on each body it has to be decided where it lands.
    """
    exceptions = {one.unit_id: signing.Exempt(one.reason, one.name) for one in new.exceptions}
    if len(exceptions) != len(new.exceptions):
        raise InputError("name one unit twice. Give each once.", field="exceptions")
    remaining = None if new.remaining is None else signing.Exempt(**dict(new.remaining))
    return call.learn_soon(
        signing.sign(
            call.record,
            prep_id,
            id=new.id,
            exceptions=exceptions,
            remaining=remaining,
            as_set=new.as_set,
            who=call.who(new.who),
        )
    )


@router.get("/leads")
def leads(record: RecordDep) -> Leads:
    """Return the names of those who may open any signed prep again."""
    return Leads(signing.leads(record))


@router.put("/leads", **WRITES)
def change_leads(call: CallDep, new: LeadsIn) -> Leads:
    """Name the leads: anybody while there are none, from then on only one of them."""
    return Leads(signing.change_leads(call.record, **call.sent(new)))


@router.post("/papers/verify", **WRITES)
async def verify(request: Request, record: RecordDep, paper: VerifyIn) -> PaperFindings:
    """Find whether a prep document, or a sheet as PDF, is what was signed here."""
    if (paper.document is None) == (not paper.pdf_base64):
        raise InputError("is to be given, or pdf_base64: one of them.", field="document")
    verifying: Verifying = request.app.state.verifying
    return PaperFindings(await verifying.findings(record, partial(_paper, paper)))


def _paper(sent: VerifyIn) -> bytes:
    if sent.document is not None:
        return json.dumps(sent.document).encode()
    try:
        return base64.b64decode(sent.pdf_base64, validate=True)
    except (binascii.Error, ValueError) as error:
        raise InputError("is no base64. Encode the PDF.", field="pdf_base64") from error
