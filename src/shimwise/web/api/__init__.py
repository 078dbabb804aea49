"""The interface for programs: ``/api/v1/…``, one address for each use case of the bench."""

from fastapi import APIRouter

from shimwise.web.api import (
    adjusting,
    drifting,
    exchange,
    house,
    house_lists,
    optics,
    preps,
    problems,
    readings,
    repeatability,
    signing,
    sweeps,
    wear,
)

__all__ = ["api_router"]


def api_router() -> APIRouter:
    """Give all addresses of the interface."""
    router = APIRouter(prefix="/api/v1")
    router.add_api_route("", problems.door, methods=["GET"], tags=["problems"])
    for part in (
        house,
        house_lists,
        wear,
        drifting,
        preps,
        readings,
        sweeps,
        adjusting,
        signing,
        repeatability,
        exchange,
        optics,
        problems,
    ):
        router.include_router(part.router)
    return router
