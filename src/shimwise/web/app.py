"""The app: interface, pages and sweeps put together over one record."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from shimwise import __version__
from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.jobs.views import JobView
from shimwise.bench.sign.verifier import Verifier
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.web.acting import Presence
from shimwise.web.api import api_router
from shimwise.web.problems import Problem, add_problems
from shimwise.web.verifying import Verifying

DESCRIPTION = """Back-focus checks of cameras and lenses: preps, readings, verdicts.

Microns at the sensor, short is negative, deep positive. Distances in millimetres from the witness mark;
`null` is infinity. Errors come as RFC 9457 problems. An id that the client makes (32 hexadecimal digits)
makes it safe to send the same request twice. In a house with a keeper a change takes a person who signed in
(`POST /api/v1/sessions`) or a program's token (`Authorization: Bearer …`) with a role that may do it
(`GET /api/v1/people`); the `who` of a request is then whoever that is, whatever name it holds.
"""


def create_app(
    record: Record,
    *,
    has_pages: bool = True,
    judge: JudgeService | None = None,
    verifier: Verifier | None = None,
) -> FastAPI:
    """Return the app over an open record.

    Parameters
    ----------
    record : Record
        Where everything is kept; closed by whoever opened it.
    has_pages : bool
        Whether it has the pages, beside the interface.
    judge : JudgeService, optional
        Keeps the verdicts current; started and stopped with the app. Without it a verdict is judged when it
        is asked for.
    verifier : Verifier, optional
        Checks papers in processes of its own; stopped with the app.
    """
    app = FastAPI(
        title="Shimwise",
        version=__version__,
        description=DESCRIPTION,
        lifespan=_lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.state.record, app.state.judge, app.state.presence = record, judge, Presence()
    app.state.verifying = Verifying(verifier)
    app.state.sweeps = SweepJobs(record, on_done=partial(_judge_after, judge))
    add_problems(app)
    app.include_router(api_router())
    _document(app)
    if has_pages:
        from shimwise.web.pages import add_pages

        add_pages(app)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    state = app.state
    services = [one for one in (state.sweeps, state.judge, state.verifying.verifier) if one is not None]
    for one in services:
        one.start()
    try:
        yield
    finally:
        for one in services:
            one.stop()


def _judge_after(judge: JudgeService | None, job: JobView) -> None:
    """Have the prep of a sweep judged anew once that is measured."""
    if judge is not None and job.state == "done" and job.prep_id:
        judge.ask(job.prep_id)


def _document(app: FastAPI) -> None:
    """Add the schemas of problems, to which the addresses refer, to the OpenAPI document."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(
                title=app.title, version=app.version, description=app.description, routes=app.routes
            )
            shapes = schema.setdefault("components", {}).setdefault("schemas", {})
            problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
            shapes |= {**problem.pop("$defs"), Problem.__name__: problem}
            app.openapi_schema = schema
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]
