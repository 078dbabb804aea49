"""What is worked out beside the pages: what waits, what is worked on where, what failed and why."""

from collections import Counter
from collections.abc import Callable

from fastapi import APIRouter
from starlette.responses import Response

from shimwise.bench.access.acting import HOUSE
from shimwise.bench.jobs import views
from shimwise.web.pages.deps import PostDep, Visit, VisitDep
from shimwise.web.pages.view import counted

router = APIRouter()
MOST_ENDED = 20
"""Of jobs that are done or were cancelled, so many are shown."""


@router.get("/jobs")
def show(visit: VisitDep) -> Response:
    """Show the jobs."""
    return _shown(visit)


@router.post("/jobs/{job_id}/cancel")
def cancel(visit: PostDep, job_id: str) -> Response:
    """Cancel a job."""
    return _changed(visit, views.cancel, job_id)


@router.post("/jobs/{job_id}/again")
def again(visit: PostDep, job_id: str) -> Response:
    """Have a job done again."""
    return _changed(visit, views.again, job_id)


def _changed(visit: Visit, change: Callable[..., object], job_id: str) -> Response:
    with visit.refusing():
        change(visit.record, job_id, who=visit.who or HOUSE)
        if not visit.is_scripted:
            return visit.go("/jobs")
    return _shown(visit)


def _shown(visit: Visit) -> Response:
    found = views.jobs(visit.record)
    counts = Counter(one.state for one in found)
    parts = [
        f"{counted(counts[state], 'job')} {words}"
        for state, words in (("failed", "failed"), ("working", "worked on"), ("waiting", "waiting"))
        if counts[state]
    ]
    return visit.show(
        "jobs/list.html" if visit.is_scripted else "jobs/page.html",
        sentence=f"{', '.join(parts)}." if parts else "Nothing waits, and nothing failed.",
        second="Verdicts, sweeps and what the house learns are worked out beside the pages, each once.",
        open_jobs=[one for one in found if one.can_cancel or one.state == "failed"],
        ended=[one for one in found if one.state in ("done", "cancelled")][:MOST_ENDED],
        is_moving=bool(counts["working"] or counts["waiting"]),
    )
