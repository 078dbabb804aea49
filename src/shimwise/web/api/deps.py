"""What every address of the interface is given: the record, the judge, and the demand for JSON."""

from typing import Annotated

from fastapi import Depends, HTTPException, Request

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.verdict.judge_service import JudgeService

__all__ = ["JudgeDep", "RecordDep", "json_only"]

JSON = "application/json"
_WITH_BODY = ("POST", "PUT", "PATCH", "DELETE")


def _record(request: Request) -> Record:
    record: Record = request.app.state.record
    return record


def _judge(request: Request) -> JudgeService | None:
    judge: JudgeService | None = request.app.state.judge
    return judge


RecordDep = Annotated[Record, Depends(_record)]
JudgeDep = Annotated[JudgeService | None, Depends(_judge)]


def json_only(request: Request) -> None:
    """Refuse a body that does not say it is JSON: a form of another site cannot say so."""
    if request.method in _WITH_BODY:
        told = request.headers.get("content-type", "").split(";")[0].strip().lower()
        if told != JSON:
            raise HTTPException(
                415, f"This address takes {JSON}; sent was {told[:80] or 'nothing that says so'}."
            )
