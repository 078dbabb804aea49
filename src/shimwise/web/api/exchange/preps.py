"""Preps out of this record, as JSON and CSV, into another with nothing changed; readings from a file."""

from typing import Annotated

from fastapi import APIRouter, Depends, HTTPException, Query, Request, Response

from shimwise.bench.exchange import import_readings as readings_file
from shimwise.bench.exchange import record_admin
from shimwise.bench.typed_names import typed_name
from shimwise.web.api.deps import JudgeDep, RecordDep
from shimwise.web.api.kinds import PLAIN, Id, Out
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(tags=["exchange"], responses=documented(422, 503))
JSON, CSV = "application/json", "text/csv"
_DOCUMENT = {
    "requestBody": {
        "required": True,
        "content": {JSON: {"schema": {"type": "object", "description": "A document shimwise.prep/1."}}},
    }
}


class ImportedOut(Out):
    """What came of taking in a prep; ``kept`` names units that this record knew with other facts."""

    prep_id: Id
    is_new: bool
    kept: tuple[str, ...]


class ReadingsTakenOut(Out):
    """What a readings file added, or would add: names of units and set-ups, and how many readings."""

    prep_id: Id
    title: str
    is_dry_run: bool
    bodies: tuple[str, ...]
    lenses: tuple[str, ...]
    setups: tuple[str, ...]
    added: int
    there: int
    warnings: tuple[str, ...]


async def _document(request: Request) -> bytes:
    """Give the body of a request that says it is JSON."""
    return await _body_of(request, JSON)


async def _readings(request: Request) -> bytes:
    """Give the body of a request that says it is CSV."""
    return await _body_of(request, CSV)


async def _body_of(request: Request, kind: str) -> bytes:
    told = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if told != kind:
        raise HTTPException(
            415, f"This address takes {kind}; sent was {told[:80] or 'nothing that says so'}."
        )
    return await request.body()


@router.get(
    "/preps/{prep_id}/export",
    response_class=Response,
    responses={
        200: {"content": {JSON: {"schema": {"type": "object"}}}, "description": "shimwise.prep/1"},
        **documented(404),
    },
)
def export_prep(record: RecordDep, prep_id: Id) -> Response:
    """Give everything that a prep holds, as a document that another record takes in."""
    return Response(record_admin.export_prep(record, prep_id), media_type=JSON)


@router.get(
    "/preps/{prep_id}/readings.csv",
    response_class=Response,
    responses={
        200: {"content": {CSV: {"schema": {"type": "string"}}}, "description": "A readings file."},
        **documented(404),
    },
)
def export_readings(record: RecordDep, prep_id: Id) -> Response:
    """Give a prep's readings as a readings file; those withdrawn are left out."""
    return Response(
        record_admin.export_readings_csv(record, prep_id),
        media_type=f"{CSV}; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="prep-{prep_id[:8]}.csv"'},
    )


@router.post(
    "/preps/{prep_id}/readings.csv",
    responses=documented(400, 404, 409, 413, 415),
    openapi_extra={"requestBody": {"required": True, "content": {CSV: {"schema": {"type": "string"}}}}},
)
def import_readings(
    record: RecordDep,
    judge: JudgeDep,
    prep_id: Id,
    data: Annotated[bytes, Depends(_readings)],
    who: Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])],
    is_dry_run: Annotated[bool, Query(description="Only tell what it would add.")] = False,
) -> ReadingsTakenOut:
    """Add the readings of a readings file to a prep, all of them or none; the same file again adds nothing.

    Units and set-ups that are not there yet are added with them.
    """
    done = readings_file.import_readings(record, data, who=who, prep_id=prep_id, is_dry_run=is_dry_run)
    if judge is not None and done.added and not is_dry_run:
        judge.ask(prep_id)
    return ReadingsTakenOut.model_validate(done)


@router.post("/imports", responses=documented(400, 409, 413, 415), openapi_extra=_DOCUMENT)
def import_prep(
    record: RecordDep,
    document: Annotated[bytes, Depends(_document)],
    who: Annotated[str, Query(min_length=1, max_length=80, pattern=PLAIN, examples=["R. Okafor"])],
) -> ImportedOut:
    """Take in a prep that was exported: all of it or nothing. The very same sent again changes nothing."""
    person = typed_name(who, field="who")
    return ImportedOut.model_validate(record_admin.import_prep(record, document, who=person))
