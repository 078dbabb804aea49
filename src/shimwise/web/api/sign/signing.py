"""Signatures of preps, who may open them again, and whether a paper is what was signed."""

import base64
import binascii
import json

from fastapi import APIRouter, Depends

from shimwise.bench.errors import InputError
from shimwise.bench.sign import papers, signing
from shimwise.bench.sign.signed import recorded
from shimwise.web.api.deps import RecordDep, json_only
from shimwise.web.api.kinds import Id
from shimwise.web.api.sign.models import (
    FindingsOut,
    LeadsIn,
    LeadsOut,
    SignIn,
    SignOffOut,
    SignOffsOut,
    UndecidedListOut,
    VerifyIn,
)
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["signing"], responses=documented(422, 503))
reads = documented(404)
writes = documented(400, 404, 409, 413, 415)
json_body = [Depends(json_only)]


@router.get("/preps/{prep_id}/undecided", responses=reads)
def undecided(record: RecordDep, prep_id: Id) -> UndecidedListOut:
    """List the units that stand in the way of a signature, and why."""
    return UndecidedListOut.model_validate({"undecided": signing.undecided(record, prep_id)})


@router.get("/preps/{prep_id}/sign-offs", responses=reads)
def list_sign_offs(record: RecordDep, prep_id: Id) -> SignOffsOut:
    """List the signatures of a prep, oldest first; those before it was opened again are kept."""
    return SignOffsOut.model_validate({"sign_offs": signing.sign_offs(record, prep_id)})


@router.post("/preps/{prep_id}/sign-offs", status_code=201, dependencies=json_body, responses=writes)
def sign(record: RecordDep, prep_id: Id, new: SignIn) -> SignOffOut:
    """Sign a prep: every unit decided, or excepted with a reason and a name; it is frozen from then on."""
    exceptions = {one.unit_id: signing.Exempt(one.reason, one.name) for one in new.exceptions}
    if len(exceptions) != len(new.exceptions):
        raise InputError("name one unit twice. Give each once.", field="exceptions")
    return SignOffOut.model_validate(
        signing.sign(record, prep_id, id=new.id, exceptions=exceptions, who=new.who)
    )


@router.get("/leads")
def leads(record: RecordDep) -> LeadsOut:
    """Give the names of those who may open any signed prep again."""
    return LeadsOut(names=signing.leads(record))


@router.put("/leads", dependencies=json_body, responses=documented(400, 409, 413, 415))
def change_leads(record: RecordDep, new: LeadsIn) -> LeadsOut:
    """Name the leads: anybody while there are none, from then on only one of them."""
    return LeadsOut(names=signing.change_leads(record, names=new.names, who=new.who))


@router.post("/papers/verify", dependencies=json_body, responses=documented(400, 413, 415))
def verify(record: RecordDep, paper: VerifyIn) -> FindingsOut:
    """Say whether a prep document, or a sheet as PDF, is what was signed here."""
    if (paper.document is None) == (not paper.pdf_base64):
        raise InputError("is to be given, or pdf_base64: one of them.", field="document")
    data = _pdf(paper.pdf_base64) if paper.document is None else json.dumps(paper.document).encode()
    found = papers.verify_paper(data, recorded=recorded(record))
    return FindingsOut.model_validate({"findings": found})


def _pdf(text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError) as error:
        raise InputError("is no base64. Encode the PDF.", field="pdf_base64") from error
