"""What the endpoints of pages depend on: a visit holds the request, the record, the page and the form."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request
from starlette.responses import RedirectResponse, Response

from shimwise.bench.access.acting import Actor, Door, Who
from shimwise.bench.exchange.record_admin import Record
from shimwise.bench.house.settings import settings
from shimwise.bench.prep.views import PrepView
from shimwise.bench.sweep.jobs import SweepJobs
from shimwise.bench.verdict import verdict
from shimwise.bench.verdict.judge_service import JudgeService
from shimwise.errors import ShimwiseError
from shimwise.web.acting import actor_of, prove_again
from shimwise.web.api.deps import RecordDep
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import LONGEST_NAME, PERSON_COOKIE, Page, person_of, render, theme_of
from shimwise.web.problems import status_of
from shimwise.web.security import camera_headers

WAYS = {
    "": "preps",
    "house-list": "settings",
    "jobs": "settings",
    "label": "preps",
    "people": "settings",
    "sign-in": "settings",
    "repeatability": "settings",
    "verify": "preps",
}
"""Entry of the navigation by the first part of an address, where it has another name."""
OF_ROLES = (401, 403, 429)
"""Statuses of what a role does not allow, and of a PIN that is asked for."""
YEAR_S = 365 * 24 * 3600
DEFAULT_PX, LEAST_PX, MOST_PX = 680, 300, 1100
"""Width of a picture where none is asked for, and the least and most that are drawn. [pixels]"""


@dataclass(slots=True, kw_only=True)
class Visit:
    """A request for a page. ``form``: the posted form, or of a GET the query."""

    request: Request
    record: Record
    page: Page
    form: Form
    status: int = 200
    """Status of the answer."""
    width_px: int = DEFAULT_PX
    """Width at which a picture is shown. [pixels]"""

    @property
    def actor(self) -> Actor | None:
        """Who is signed in on this device; None where the house has no keeper, and names are believed."""
        return actor_of(self.request, Door.PAGE)

    @property
    def who(self) -> Who:
        """Who does it: who is signed in, else a name of the form or the device.

        A PIN in the form, which an idle device asks for again, is checked here.
        """
        if self.actor is None:
            return self.name
        if self.form.text("pin"):
            prove_again(self.request, self.form.text("pin"))
        return self.actor

    @property
    def name(self) -> str:
        """Name of the person who does it; empty where nobody is known."""
        actor = self.actor
        if actor is not None:
            return actor.name
        return self.form.text("who") or self.form.text("operator") or person_of(self.request)

    @property
    def judge(self) -> JudgeService | None:
        """The service that keeps verdicts current; None where they are made on request."""
        judge: JudgeService | None = getattr(self.request.app.state, "judge", None)
        return judge

    @property
    def sweeps(self) -> SweepJobs:
        """The sweeps under way."""
        sweeps: SweepJobs = self.request.app.state.sweeps
        return sweeps

    @property
    def is_scripted(self) -> bool:
        """Whether a script of the page asks, for the part that changed."""
        return "HX-Request" in self.request.headers

    @property
    def theme(self) -> str:
        """Theme of this device, or the house's."""
        return theme_of(self.request, self.page.theme)

    def show(
        self,
        template: str,
        *,
        sentence: str = "",
        second: str = "",
        headers: dict[str, str] | None = None,
        **values: Any,  # noqa: ANN401 - what the template needs
    ) -> Response:
        """Render a page with its first sentences, the form and the values that its template needs."""
        page = self.page
        page.sentence, page.second = sentence or page.sentence, second or page.second
        values = {"form": self.form, **values}
        return render(self.request, template, page, status=self.status, headers=headers, **values)

    def show_filming(self, template: str, **values: Any) -> Response:  # noqa: ANN401
        """Render a page that may film: it alone can open a camera, and a line for its frames."""
        response = self.show(template, **values)
        at = self.request.url
        response.headers.update(camera_headers(f"{at.scheme}://{at.netloc}"))
        return response

    def refuse(
        self, error: ShimwiseError, *, status: int = 0, fields: Mapping[str, str] | None = None
    ) -> None:
        """Add an error to its field; the status of the answer is the error's own unless given."""
        self.form.refuse(error, fields=fields)
        own = status_of(error)
        self.status = own if own in OF_ROLES else status or own

    def refusing(self, *, status: int = 0, fields: Mapping[str, str] | None = None) -> "_Refusing":
        """Return the context of what may be refused: an error in it is put beside its field."""
        return _Refusing(self, status, fields)

    def go(self, path: str) -> Response:
        """Send the browser to a page after something was done, and remember who did it."""
        return remember(see(path), self.actor or self.name)

    def judge_now(self, prep: PrepView) -> None:
        """Judge a prep whose verdict is not current; the page shows why where that fails."""
        if prep.verdict is None or not prep.verdict.is_current:
            try:
                verdict.refresh_verdict(self.record, prep.id)
            except ShimwiseError as error:
                self.page.problem = f"No verdict can be given: {error}"

    def ask(self, prep_id: str) -> None:
        """Have a prep judged soon."""
        if self.judge is not None:
            self.judge.ask(prep_id)


@dataclass(frozen=True, slots=True)
class _Refusing:
    visit: Visit
    status: int
    fields: Mapping[str, str] | None

    def __enter__(self) -> None:
        """Begin what may be refused."""

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> bool:
        if not isinstance(error, ShimwiseError):
            return False
        self.visit.refuse(error, status=self.status, fields=self.fields)
        return True


def _visit(request: Request, record: RecordDep, width: int = DEFAULT_PX) -> Visit:
    house = settings(record)
    actor_of(request, Door.PAGE)  # looked up once, here in a worker thread
    return Visit(
        request=request,
        record=record,
        page=Page(way=_way(request.url.path), units=house.units, theme=house.theme),
        form=Form.of(request.query_params),
        width_px=min(max(width, LEAST_PX), MOST_PX),
    )


def _way(path: str) -> str:
    first = path.split("/")[1]
    return WAYS.get(first, first)


async def _posted(request: Request) -> Form:
    async with request.form() as sent:
        return Form.of(sent)


VisitDep = Annotated[Visit, Depends(_visit)]


async def _post(visit: VisitDep, form: Annotated[Form, Depends(_posted)]) -> Visit:
    visit.form = form
    return visit


PostDep = Annotated[Visit, Depends(_post)]
"""A visit with the form that was posted."""


def remember(response: Response, who: Who) -> Response:
    """Keep a name that was typed on the device; who is signed in is known by more than a name."""
    if isinstance(who, str) and who:
        response.set_cookie(
            PERSON_COOKIE, quote(who[:LONGEST_NAME]), max_age=YEAR_S, samesite="lax", httponly=True, path="/"
        )
    return response


def see(path: str) -> RedirectResponse:
    """Send the browser to a page after something was done."""
    return RedirectResponse(path, status_code=303)


def file_answer(content: str | bytes, kind: str, name: str, *, cache: str = "no-store") -> Response:
    """Answer with a file to keep."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": cache}
    return Response(content, media_type=kind, headers=headers)
