"""The picture of a body's or a lens's drift; its words and table stand on the unit's own page."""

from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from shimwise.bench.history import drift as drifting
from shimwise.bench.history import drift_picture
from shimwise.bench.house import units
from shimwise.web.pages.deps import PageDep, RecordDep
from shimwise.web.pages.view import render, theme_of

if TYPE_CHECKING:
    from shimwise.bench.history.drift_views import DriftView
    from shimwise.bench.house.views import PastVerdict
    from shimwise.web.pages.view import Page

__all__ = ["router"]

router = APIRouter()
DEFAULT_PX, LEAST_PX, MOST_PX = 680, 300, 1100


@router.get("/bodies/{body_id}/drift")
def body_drift(
    request: Request, record: RecordDep, page: PageDep, body_id: str, width: int = DEFAULT_PX
) -> Response:
    """Give the picture of a body's drift."""
    past = units.show_body(record, body_id).past
    return _picture(request, page, drifting.body_drift(record, body_id), past, width)


@router.get("/lenses/{lens_id}/drift")
def lens_drift(
    request: Request, record: RecordDep, page: PageDep, lens_id: str, width: int = DEFAULT_PX
) -> Response:
    """Give the picture of a lens's drift."""
    past = units.show_lens(record, lens_id).past
    return _picture(request, page, drifting.lens_drift(record, lens_id), past, width)


def _picture(
    request: Request, page: "Page", drift: "DriftView", past: "tuple[PastVerdict, ...]", width: int
) -> Response:
    svg = drift_picture.drift_svg(
        drift,
        times=[one.given_at for one in past],
        theme=theme_of(request, page.theme),
        width_px=min(max(width, LEAST_PX), MOST_PX),
    )
    return render(request, "house/drift_picture.html", page, picture=Markup(svg))  # noqa: S704 - our own drawing
