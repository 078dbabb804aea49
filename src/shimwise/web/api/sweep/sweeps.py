"""Sweeps: frames uploaded, measured beside the pages, watched, cancelled, and withdrawn with a reason."""

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form, HTTPException, Request, UploadFile
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from shimwise.bench.sweep import evidence
from shimwise.bench.sweep.evidence import SweepRequest
from shimwise.bench.sweep.frame_files import MOST_FILES
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.bench.typed_names import id_or_new
from shimwise.web.api.deps import JudgeDep, RecordDep, json_only
from shimwise.web.api.kinds import Fnumber, Focal, Id, Length, Out, Who
from shimwise.web.api.prep.models import Done, SweepOut, Withdrawal
from shimwise.web.problems import documented

__all__ = ["router"]

router = APIRouter(prefix="/preps/{prep_id}/sweeps", tags=["sweeps"], responses=documented(404, 422, 503))
FORM = "multipart/form-data"


class SweepIn(BaseModel):
    """A sweep's frames and what was under test; what is left out is taken from the files, body and lens."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    files: Annotated[
        list[UploadFile],
        Field(min_length=1, max_length=MOST_FILES, description="Frames, sweep.json, chart.json."),
    ]
    id: Annotated[Id | None, Field(description="Made by the client: sent twice it is one sweep.")] = None
    body_id: Id
    lens_id: Id
    distance_text: Annotated[Length, Field(description="Witness mark to chart; of a moving chart, the ring.")]
    who: Who
    focal_mm: Focal | None = None
    fnumber: Fnumber | None = None
    pitch_um: Annotated[float | None, Field(ge=0.5, le=100)] = None
    transfer: Annotated[str | None, StringConstraints(max_length=40)] = None
    signal_range: Literal["full", "limited"] | None = None
    black_level: Annotated[float | None, Field(ge=0, le=1e6)] = None
    white_level: Annotated[float | None, Field(ge=0, le=1e6)] = None


class SweepJobOut(Out):
    """A sweep on its way, and how far it is; 0 of 0 where that is not known."""

    id: Id
    prep_id: Id
    title: str
    state: Literal["waiting", "working", "done", "failed", "cancelled"]
    what: str
    done: int
    total: int
    problem: str


def _jobs(request: Request) -> SweepJobs:
    jobs: SweepJobs = request.app.state.sweeps
    return jobs


JobsDep = Annotated[SweepJobs, Depends(_jobs)]


def form_only(request: Request) -> None:
    """Refuse a body that is no form with files."""
    told = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if told != FORM:
        raise HTTPException(
            415, f"This address takes {FORM}; sent was {told[:80] or 'nothing that says so'}."
        )


@router.post("", status_code=202, dependencies=[Depends(form_only)], responses=documented(400, 409, 413, 415))
def begin_sweep(jobs: JobsDep, prep_id: Id, sent: Annotated[SweepIn, Form(media_type=FORM)]) -> SweepJobOut:
    """Send a sweep's frames; they are measured beside the pages. Ask ``…/work`` how far it is."""
    facts = SweepRequest(**{name: getattr(sent, name) for name in SweepRequest.__dataclass_fields__})
    files = [(one.filename or "", one.file) for one in sent.files]
    job = jobs.begin(prep_id, sweep_id=id_or_new(sent.id), files=files, facts=facts, who=sent.who)
    return SweepJobOut.model_validate(job)


@router.get("/{sweep_id}/work")
def sweep_work(jobs: JobsDep, prep_id: Id, sweep_id: Id) -> SweepJobOut:
    """Tell how far a sweep is."""
    return SweepJobOut.model_validate(jobs.job(sweep_id, prep_id=prep_id))


@router.post("/{sweep_id}/cancel", dependencies=[Depends(json_only)], responses=documented(400, 413, 415))
def cancel_sweep(jobs: JobsDep, prep_id: Id, sweep_id: Id, done: Done) -> SweepJobOut:
    """Cancel the measuring of a sweep; nothing of it is kept."""
    del done
    return SweepJobOut.model_validate(jobs.cancel(sweep_id, prep_id=prep_id))


@router.post(
    "/{sweep_id}/dismiss",
    status_code=204,
    dependencies=[Depends(json_only)],
    responses=documented(400, 413, 415),
)
def dismiss_sweep(jobs: JobsDep, prep_id: Id, sweep_id: Id, done: Done) -> None:
    """Tell no more of a sweep that was not measured; one that is under way stays as it is."""
    del done
    jobs.dismiss(sweep_id, prep_id=prep_id)


@router.post(
    "/{sweep_id}/withdraw", dependencies=[Depends(json_only)], responses=documented(400, 409, 413, 415)
)
def withdraw_sweep(
    record: RecordDep, judge: JudgeDep, prep_id: Id, sweep_id: Id, why: Withdrawal
) -> SweepOut:
    """Withdraw a sweep with a reason; it stays in the record, and no verdict hears it."""
    view = evidence.withdraw_sweep(record, prep_id, sweep_id, reason=why.reason, who=why.who)
    if judge is not None:
        judge.ask(prep_id)
    return SweepOut.model_validate(view)
