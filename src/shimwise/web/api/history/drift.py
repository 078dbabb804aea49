"""Whether a body or a lens drifts: its sign-offs, and where they lie within the limits."""

from shimwise.bench.history import drift
from shimwise.bench.history.drift_views import DriftView
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.deps import RecordDep
from shimwise.web.api.kinds import Id
from shimwise.web.problems import documented

router = AnswerRouter(tags=["house"], responses=documented(404, 422, 503))


@router.get("/bodies/{body_id}/drift")
def body_drift(record: RecordDep, body_id: Id) -> DriftView:
    """Compute whether a body drifts, from its sign-offs since its last adjustment."""
    return drift.unit_drift(record, "body", body_id)


@router.get("/lenses/{lens_id}/drift")
def lens_drift(record: RecordDep, lens_id: Id) -> DriftView:
    """Compute whether a lens drifts, from its sign-offs since its last adjustment."""
    return drift.unit_drift(record, "lens", lens_id)
