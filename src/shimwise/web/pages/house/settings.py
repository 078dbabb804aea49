"""The house's settings, its list in and out, and what belongs to this device: theme and name."""

import base64
import binascii
import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.house.settings import change_settings, checked_settings, settings
from shimwise.bench.house.unit_list import export_house_list, import_house_list
from shimwise.bench.sign import signing
from shimwise.errors import ShimwiseError
from shimwise.web.pages.deps import YEAR_S, PostDep, RecordDep, Visit, VisitDep, file_answer, remember, see
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import THEME_COOKIE, THEMES, counted, number, person_of
from shimwise.web.security import own_path

if TYPE_CHECKING:
    from shimwise.bench.house.views import HouseListOutcome, HouseSettings

router = APIRouter()
LONGEST_NAME = 120
NO_LEADS = "No lead is named yet: a signed prep is reopened only by who signed it."


@router.get("/settings")
def show_settings(visit: VisitDep) -> Response:
    """Show the settings."""
    known = settings(visit.record)
    return _shown(visit, _form(known), known)


@router.post("/settings")
def keep_settings(visit: PostDep) -> Response:
    """Change the settings."""
    form, known = visit.form, settings(visit.record)
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
        change_settings(visit.record, settings=new, who=visit.who)
    except ShimwiseError as error:
        form.refuse(error)
        return _shown(visit, form, known, status=422)
    return visit.go("/settings?saved=yes")


@router.post("/settings/leads")
def keep_leads(visit: PostDep) -> Response:
    """Change who the leads are."""
    form, known = visit.form, settings(visit.record)
    names = [line for line in form.get("names").splitlines() if line.strip()]
    try:
        signing.change_leads(visit.record, names=names, who=visit.who)
    except ShimwiseError as error:
        return _shown(visit, _form(known), known, status=visit.refused(error), leads=form)
    return visit.go("/settings?saved=leads#leads")


@router.post("/theme")
def theme(visit: PostDep) -> Response:
    """Choose this device's theme, and go back."""
    chosen = visit.form.text("theme")
    response = see(own_path(visit.form.text("back")))
    if chosen in THEMES:
        response.set_cookie(THEME_COOKIE, chosen, max_age=YEAR_S, samesite="lax", httponly=True, path="/")
    return response


@router.post("/person")
def person(visit: PostDep) -> Response:
    """Keep the name under which this device's entries are kept."""
    return remember(see("/settings#person"), visit.form.text("who"))


@router.get("/house-list")
def show_list(visit: VisitDep) -> Response:
    """Show the form that takes in a house's list."""
    return _list_page(visit, Form())


@router.get("/house-list.csv")
def list_file(record: RecordDep) -> Response:
    """Return the house's list as CSV."""
    return file_answer(export_house_list(record), "text/csv; charset=utf-8", "house-list.csv")


@router.post("/house-list")
async def take_list(visit: VisitDep) -> Response:
    """Show what a list would change; once that was seen and is wanted, take it in."""
    async with visit.request.form() as sent:
        visit.form, file = Form.of(sent), sent.get("file")
        name, data = visit.form.get("name") or "the list", b""
        if isinstance(file, UploadFile) and file.filename:
            name, data = file.filename[:LONGEST_NAME], await file.read()
        else:
            with contextlib.suppress(binascii.Error):
                data = base64.b64decode(str(sent.get("content") or ""), validate=True)
    return await run_in_threadpool(_take, visit, name, data)


def _take(visit: Visit, name: str, data: bytes) -> Response:
    form, who = visit.form, visit.who
    is_dry_run = not form.text("take")
    try:
        if not data:
            raise InputError("Choose the CSV file of the house's list first.", field="file")
        outcome = import_house_list(
            visit.record,
            data,
            who=who or "someone" if is_dry_run else who,
            name=name,
            is_dry_run=is_dry_run,
        )
    except ShimwiseError as error:
        form.refused["file"] = str(error)
        return _list_page(visit, form, status=422)
    content = base64.b64encode(data).decode("ascii")
    status = 422 if outcome.refused else 200
    return remember(_list_page(visit, form, outcome=outcome, name=name, content=content, status=status), who)


def _list_page(
    visit: Visit,
    form: Form,
    *,
    outcome: "HouseListOutcome | None" = None,
    name: str = "",
    content: str = "",
    status: int = 200,
) -> Response:
    return visit.show(
        "house/list.html",
        way="settings",
        sentence=_list_sentence(outcome, name),
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
    parts = [f"{counted(len(outcome.new_units), 'unit')} new"] if outcome.new_units else []
    parts += [f"{counted(len(outcome.new_sets), 'set')} new"] if outcome.new_sets else []
    parts += [f"{counted(len(outcome.changed), 'fact')} changed"] if outcome.changed else []
    what = ", ".join(parts) or "nothing new"
    return f"{name} is taken in: {what}." if outcome.is_taken else f"{name} would bring {what}."


def _is(items: tuple[object, ...]) -> str:
    return "is" if len(items) == 1 else "are"


def _shown(
    visit: Visit, form: Form, house: "HouseSettings", *, leads: Form | None = None, status: int = 200
) -> Response:
    units = "metric" if house.units == "m" else "feet and inches"
    named = signing.leads(visit.record)
    return visit.show(
        "settings.html",
        way="settings",
        sentence=f"Lengths in {units}, tolerance ±{number(house.tolerance_um)} µm, circle of confusion "
        f"{number(house.coc_um)} µm, {house.theme} theme.",
        status=status,
        form=form,
        saved=visit.request.query_params.get("saved", ""),
        who=Form.filled(who=person_of(visit.request)),
        has_devices=getattr(visit.request.app.state, "has_devices", False),
        leads=leads or Form.filled(names="\n".join(named)),
        leads_words=f"{_listed(named)} may reopen any signed prep." if named else NO_LEADS,
    )


def _listed(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _form(house: "HouseSettings") -> Form:
    return Form.filled(
        units=house.units,
        theme=house.theme,
        tolerance_um=number(house.tolerance_um),
        coc_um=number(house.coc_um),
        shim_stock_um=" ".join(map(number, house.shim_stock_um)),
        tolerance_by_mount="\n".join(
            f"{mount}: {number(value)}" for mount, value in house.tolerance_by_mount.items()
        ),
    )


def _by_mount(form: Form) -> dict[str, float]:
    """Read lines such as ``PL: 8``."""
    found: dict[str, float] = {}
    for line in form.get("tolerance_by_mount").splitlines():
        if not line.strip():
            continue
        mount, _, typed = line.rpartition(":")
        one = Form.filled(value=typed)
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
