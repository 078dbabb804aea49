"""Preps exported as JSON and CSV, and imported with nothing changed; readings from a file."""

from typing import Annotated

from fastapi import Depends, Query, Response

from shimwise.bench.exchange import import_readings as readings_file
from shimwise.bench.exchange import record_admin
from shimwise.bench.exchange.import_readings import ReadingsOutcome
from shimwise.bench.exchange.record_admin import Imported
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import (
    CSV,
    JSON,
    CallDep,
    RecordDep,
    WhoQuery,
    body_of,
    file_request,
    file_response,
)
from shimwise.web.api.kinds import Id
from shimwise.web.problems import documented

router = AnswerRouter(tags=["exchange"], responses=documented(422, 503))


@router.get("/preps/{prep_id}/export", **file_response(JSON, "shimwise.prep/1", 404))
def export_prep(record: RecordDep, prep_id: Id) -> Response:
    """Return everything that a prep holds, as a document that another record takes in."""
    return Response(record_admin.export_prep(record, prep_id), media_type=JSON)


@router.get("/preps/{prep_id}/readings.csv", **file_response(CSV, "A readings file.", 404))
def export_readings(record: RecordDep, prep_id: Id) -> Response:
    """Return a prep's readings as a readings file; those withdrawn are left out."""
    return Response(
        record_admin.export_readings_csv(record, prep_id),
        media_type=f"{CSV}; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="prep-{prep_id[:8]}.csv"'},
    )


@router.post("/preps/{prep_id}/readings.csv", **file_request(CSV, 404))
def import_readings(
    call: CallDep,
    prep_id: Id,
    data: Annotated[bytes, Depends(body_of(CSV))],
    who: WhoQuery,
    is_dry_run: Annotated[bool, Query(description="Only report what it would add.")] = False,
) -> ReadingsOutcome:
    """Add the readings of a readings file to a prep, all of them or none; the same file again adds nothing.

    Units and set-ups that are not there yet are added with them.
    """
    done = readings_file.import_readings(
        call.record, data, who=call.who(who), prep_id=prep_id, is_dry_run=is_dry_run
    )
    return call.judge_soon(prep_id, done, is_needed=bool(done.added) and not is_dry_run)


@router.post("/imports", **file_request(JSON, description="A document shimwise.prep/1."))
def import_prep(
    call: CallDep,
    document: Annotated[bytes, Depends(body_of(JSON))],
    who: WhoQuery,
    unproven: Annotated[
        bool, Query(description="Take in signatures without a house's seal too, as before 0.3.")
    ] = False,
) -> Imported:
    """Take in a prep that was exported: all of it or nothing. The very same sent again changes nothing.

    Signatures have to carry the seal of a house that is known here.
    """
    return record_admin.import_prep(call.record, document, who=call.who(who), is_unproven=unproven)
