"""The interface for programs: ``/api/v1/…``, one address for each use case of the bench."""

from shimwise.web.api import problems
from shimwise.web.api.access import people
from shimwise.web.api.adjust import guide
from shimwise.web.api.answers import AnswerRouter
from shimwise.web.api.desk import optics, plan
from shimwise.web.api.exchange import preps as exchange
from shimwise.web.api.exchange import sync
from shimwise.web.api.history import drift, repeatability
from shimwise.web.api.house import lists, units
from shimwise.web.api.jobs import jobs
from shimwise.web.api.prep import preps, readings
from shimwise.web.api.sign import signing
from shimwise.web.api.sweep import sweeps
from shimwise.web.problems import documented

__all__ = ["api_router"]


def api_router() -> AnswerRouter:
    """Return the router of all addresses of the interface."""
    # At any address: a request that cannot be read, a device that is not paired, a foreign host or page.
    router = AnswerRouter(prefix="/api/v1", responses=documented(400, 401, 403))
    router.add_api_route("", problems.root, methods=["GET"], tags=["problems"])
    for part in (
        readings,  # first: addresses are looked for in this order, and a saved reading should wait for none
        units,
        lists,
        drift,
        preps,
        sweeps,
        guide,
        signing,
        repeatability,
        people,
        jobs,
        exchange,
        sync,
        optics,
        plan,
        problems,
    ):
        router.include_router(part.router)
    return router
