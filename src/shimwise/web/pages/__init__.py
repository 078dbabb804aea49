"""The pages: made on the server, for a tablet beside a camera and a laptop; a thin door over the bench."""

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from shimwise.web.pages.access import people
from shimwise.web.pages.adjust import guide
from shimwise.web.pages.desk import charts, optics, plan
from shimwise.web.pages.failures import failure_page
from shimwise.web.pages.history import repeatability
from shimwise.web.pages.house import settings, units
from shimwise.web.pages.jobs import jobs
from shimwise.web.pages.prep import evidence, pictures, prep, preps, readings
from shimwise.web.pages.sign import papers, signing, verify
from shimwise.web.pages.view import STATIC
from shimwise.web.problems import add_problems

__all__ = ["add_pages"]


def add_pages(app: FastAPI) -> None:
    """Put the pages, their files and their answers to errors into an app; called last.

    The app's state holds the open record as ``record``, the judge's service as ``judge`` (or None), and the
    sweeps under way as ``sweeps``.
    """
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    for part in (
        preps,
        prep,
        readings,
        pictures,
        evidence,
        guide,
        signing,
        papers,
        verify,
        units,
        repeatability,
        people,
        jobs,
        settings,
        charts,
        optics,
        plan,
    ):
        app.include_router(part.router, include_in_schema=False)
    add_problems(app, page=failure_page)
