"""What every page is given: the record, the judge, the house's settings as a page, and what a form said."""

from typing import Annotated
from urllib.parse import quote

from fastapi import Depends, Request
from starlette.responses import RedirectResponse, Response

from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.house.settings import settings
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import LONGEST_NAME, PERSON_COOKIE, Page, person_of

__all__ = ["JudgeDep", "PageDep", "PostedDep", "QueryDep", "RecordDep", "remember", "see", "who_of"]

YEAR_S = 365 * 24 * 3600


def _record(request: Request) -> Record:
    record: Record = request.app.state.record
    return record


def _judge(request: Request) -> JudgeService | None:
    judge: JudgeService | None = getattr(request.app.state, "judge", None)
    return judge


RecordDep = Annotated[Record, Depends(_record)]
JudgeDep = Annotated[JudgeService | None, Depends(_judge)]


def _page(record: RecordDep) -> Page:
    house = settings(record)
    return Page(units=house.units, theme=house.theme)


async def _posted(request: Request) -> Form:
    async with request.form() as sent:
        return Form.of(sent)


def _query(request: Request) -> Form:
    values: dict[str, list[str]] = {}
    for name, value in request.query_params.multi_items():
        values.setdefault(name, []).append(value)
    return Form(values=values)


PageDep = Annotated[Page, Depends(_page)]
PostedDep = Annotated[Form, Depends(_posted)]
QueryDep = Annotated[Form, Depends(_query)]


def who_of(request: Request, form: Form) -> str:
    """Give the name of the person who does it: of the form, else of the device."""
    return form.text("who") or form.text("operator") or person_of(request)


def remember(response: Response, who: str) -> Response:
    """Keep a person's name on the device."""
    if who:
        response.set_cookie(
            PERSON_COOKIE, quote(who[:LONGEST_NAME]), max_age=YEAR_S, samesite="lax", httponly=True, path="/"
        )
    return response


def see(path: str) -> RedirectResponse:
    """Send the browser to a page after something was done."""
    return RedirectResponse(path, status_code=303)
