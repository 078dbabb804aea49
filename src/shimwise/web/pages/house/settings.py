"""The house's settings, its list in and out, and what belongs to this device: theme and name."""

import base64
import binascii
import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import change_settings, checked_settings, settings
from shimwise.bench.house.unit_list import export_house_list, import_house_list
from shimwise.bench.sign import signing
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import YEAR_S, PageDep, PostedDep, RecordDep, remember, see, who_of
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import THEME_COOKIE, THEMES, counted, number, person_of, render
from shimwise.web.problems import status_of
from shimwise.web.security import own_path

if TYPE_CHECKING:
    from shimwise.bench.exchange.record_admin import Record
    from shimwise.bench.house.views import HouseListOutcome, HouseSettings
    from shimwise.web.pages.view import Page

__all__ = ["router"]

router = APIRouter()
NO_LEADS = "No lead is named yet: a signed prep is reopened only by who signed it."


@router.get("/settings")
def show_settings(request: Request, record: RecordDep, page: PageDep) -> Response:
    """Show the settings."""
    return _shown(request, record, page, _form(settings(record)), settings(record))


@router.post("/settings")
def keep_settings(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Change the settings."""
    who, known = who_of(request, form), settings(record)
    try:
        form.is_collecting = True
        tolerance_um, coc_um = form.number("tolerance_um"), form.number("coc_um")
        if tolerance_um is None:
            form.refused.setdefault("tolerance_um", "The tolerance is missing: type one such as 10.")
        if coc_um is None:
            form.refused.setdefault("coc_um", "The circle of confusion is missing: type one such as 20.")
        new = replace(
            known,
            units=form.text("units"),
            tolerance_um=known.tolerance_um if tolerance_um is None else tolerance_um,
            tolerance_by_mount=_by_mount(form),
            coc_um=known.coc_um if coc_um is None else coc_um,
            shim_stock_um=form.numbers("shim_stock_um"),
            theme=form.text("theme"),
        )
        form.settle(lambda: checked_settings(new))
        change_settings(record, settings=new, who=who)
    except ShimwiseError as error:
        form.refuse(error)
        return _shown(request, record, page, form, known, status=422)
    return remember(see("/settings?saved=yes"), who)


@router.post("/settings/leads")
def keep_leads(request: Request, record: RecordDep, page: PageDep, form: PostedDep) -> Response:
    """Say who the leads are."""
    who, known = who_of(request, form), settings(record)
    names = [line for line in form.get("names").splitlines() if line.strip()]
    try:
        signing.change_leads(record, names=names, who=who)
    except ShimwiseError as error:
        form.refuse(error)
        return _shown(request, record, page, _form(known), known, leads=form, status=status_of(error))
    return remember(see("/settings?saved=leads#leads"), who)


@router.post("/theme")
def theme(form: PostedDep) -> Response:
    """Choose this device's theme, and go back."""
    chosen, back = form.text("theme"), form.text("back")
    response = RedirectResponse(own_path(back), status_code=303)
    if chosen in THEMES:
        response.set_cookie(THEME_COOKIE, chosen, max_age=YEAR_S, samesite="lax", httponly=True, path="/")
    return response


@router.post("/person")
def person(form: PostedDep) -> Response:
    """Keep the name under which this device's entries are kept."""
    return remember(see("/settings#person"), form.text("who"))


@router.get("/house-list")
def show_list(request: Request, page: PageDep) -> Response:
    """Show the form that takes in a house's list."""
    return _list_page(request, page, Form())


@router.get("/house-list.csv")
def list_file(record: RecordDep) -> Response:
    """Give the house's list as CSV."""
    headers = {"Content-Disposition": 'attachment; filename="house-list.csv"', "Cache-Control": "no-store"}
    return Response(export_house_list(record), media_type="text/csv; charset=utf-8", headers=headers)


@router.post("/house-list")
async def take_list(request: Request, record: RecordDep, page: PageDep) -> Response:
    """Tell what a list would change; when it was told, and is wanted, take it in."""
    from starlette.concurrency import run_in_threadpool

    async with request.form() as sent:
        form, file = Form.of(sent), sent.get("file")
        name, data = form.get("name") or "the list", b""
        if isinstance(file, UploadFile) and file.filename:
            name, data = file.filename[:120], await file.read()
        else:
            with contextlib.suppress(binascii.Error):
                data = base64.b64decode(str(sent.get("content") or ""), validate=True)
    return await run_in_threadpool(_take, request, record, page, form, name, data)


def _take(request: Request, record: "Record", page: "Page", form: Form, name: str, data: bytes) -> Response:
    who = who_of(request, form)
    if not data:
        form.refused["file"] = "Choose the CSV file of the house's list first."
        return _list_page(request, page, form, status=422)
    is_dry_run = not form.text("take")
    try:
        outcome = import_house_list(
            record, data, who=who or "someone" if is_dry_run else who, name=name, is_dry_run=is_dry_run
        )
    except ShimwiseError as error:
        form.refused["file"] = str(error)
        return _list_page(request, page, form, status=422)
    content = base64.b64encode(data).decode("ascii")
    status = 422 if outcome.refused else 200
    response = _list_page(request, page, form, outcome=outcome, name=name, content=content, status=status)
    return remember(response, who)


def _list_page(
    request: Request,
    page: "Page",
    form: Form,
    *,
    outcome: "HouseListOutcome | None" = None,
    name: str = "",
    content: str = "",
    status: int = 200,
) -> Response:
    page.way, page.sentence = "settings", _list_sentence(outcome, name)
    return render(
        request,
        "house/list.html",
        page,
        status=status,
        form=form,
        outcome=outcome,
        name=name,
        content=content,
    )


def _list_sentence(outcome: "HouseListOutcome | None", name: str) -> str:
    if outcome is None:
        return (
            "Bring the house's bodies, lenses and sets from a list; nothing changes before you have seen it."
        )
    if outcome.refused:
        wrong = f"{counted(len(outcome.refused), 'line')} of it {_is(outcome.refused)} wrong"
        return f"{name} cannot be taken: {wrong}."
    told = [f"{counted(len(outcome.new_units), 'unit')} new"] if outcome.new_units else []
    told += [f"{counted(len(outcome.new_sets), 'set')} new"] if outcome.new_sets else []
    told += [f"{counted(len(outcome.changed), 'fact')} changed"] if outcome.changed else []
    what = ", ".join(told) or "nothing new"
    return f"{name} is taken in: {what}." if outcome.is_taken else f"{name} would bring {what}."


def _is(items: tuple[object, ...]) -> str:
    return "is" if len(items) == 1 else "are"


def _shown(
    request: Request,
    record: "Record",
    page: "Page",
    form: Form,
    house: "HouseSettings",
    *,
    leads: Form | None = None,
    status: int = 200,
) -> Response:
    page.way = "settings"
    units = "metric" if house.units == "m" else "feet and inches"
    page.sentence = (
        f"Lengths in {units}, tolerance ±{number(house.tolerance_um)} µm, circle of confusion "
        f"{number(house.coc_um)} µm, {house.theme} theme."
    )
    saved = request.query_params.get("saved", "")
    named = signing.leads(record)
    who = Form(values={"who": [person_of(request)]})
    has_devices = getattr(request.app.state, "has_devices", False)
    return render(
        request,
        "settings.html",
        page,
        status=status,
        form=form,
        saved=saved,
        who=who,
        has_devices=has_devices,
        leads=leads or Form(values={"names": ["\n".join(named)]}),
        leads_words=f"{_listed(named)} may reopen any signed prep." if named else NO_LEADS,
    )


def _listed(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _form(house: "HouseSettings") -> Form:
    form = Form()
    form.set("units", house.units)
    form.set("theme", house.theme)
    form.set("tolerance_um", number(house.tolerance_um))
    form.set("coc_um", number(house.coc_um))
    form.set("shim_stock_um", " ".join(map(number, house.shim_stock_um)))
    form.set(
        "tolerance_by_mount",
        "\n".join(f"{mount}: {number(value)}" for mount, value in house.tolerance_by_mount.items()),
    )
    return form


def _by_mount(form: Form) -> dict[str, float]:
    """Read lines such as ``PL: 8``."""
    found: dict[str, float] = {}
    for line in form.get("tolerance_by_mount").splitlines():
        if not line.strip():
            continue
        mount, _, typed = line.rpartition(":")
        one = Form(values={"value": [typed]})
        try:
            value = one.number("value")
        except ShimwiseError:
            value = None
        if not mount.strip() or value is None:
            raise InputError(
                "is no line of a mount and its tolerance: write each as PL: 8.",
                field="tolerance_by_mount",
                typed=line.strip(),
            )
        found[mount.strip()] = value
    return found
