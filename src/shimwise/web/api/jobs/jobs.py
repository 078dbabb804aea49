"""What is worked out beside the pages: verdicts, sweeps, and what the house learns."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Path

from shimwise.bench.jobs import views
from shimwise.bench.jobs.views import JobView
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import WRITES, CallDep, RecordDep
from shimwise.web.api.prep.requests import WhoIn
from shimwise.web.problems import documented

router = AnswerRouter(prefix="/jobs", tags=["jobs"], responses=documented(422, 503))
JobId = Annotated[str, Path(pattern=r"^(learn|(verdict|sweep)-[0-9a-f]{32})$", examples=["learn"])]


@dataclass(frozen=True, slots=True)
class Jobs:
    """Those that failed first, then what is worked on, what waits, and what ended."""

    jobs: tuple[JobView, ...]


@router.get("")
def jobs(record: RecordDep) -> Jobs:
    """List the newest jobs: what waits, what is worked on by which server, what failed and why."""
    return Jobs(views.jobs(record))


@router.post("/{job_id}/cancel", **WRITES)
def cancel_job(call: CallDep, job_id: JobId, done: WhoIn) -> JobView:
    """Cancel a job, whichever server works on it; one that has ended stays as it ended."""
    return views.cancel(call.record, job_id, who=call.who(done.who))


@router.post("/{job_id}/again", **WRITES)
def repeat_job(call: CallDep, job_id: JobId, done: WhoIn) -> JobView:
    """Have a job done again that failed or was cancelled."""
    return views.again(call.record, job_id, who=call.who(done.who))
