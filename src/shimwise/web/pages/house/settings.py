"""The house's settings, rates of wear, list in and out; and what belongs to this device: theme and name."""

import base64
import binascii
import contextlib
from dataclasses import replace

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.responses import Response

from shimwise.bench.errors import InputError
from shimwise.bench.history.house_network import house_taught
from shimwise.bench.house.drift_rate import WearSettings, change_wear, wear
from shimwise.bench.house.settings import THEMES, change_settings, checked_settings, settings
from shimwise.bench.house.unit_list import export_house_list, import_house_list
from shimwise.bench.house.views import HouseListOutcome, HouseSettings
from shimwise.bench.sign import signing
from shimwise.errors import ShimwiseError
from shimwise.web.api.deps import RecordDep
from shimwise.web.pages.deps import OF_ROLES, YEAR_S, PostDep, Visit, VisitDep, file_answer, remember, see
from shimwise.web.pages.forms import Form
from shimwise.web.pages.view import LONGEST_FILE_NAME, THEME_COOKIE, counted, number, person_of
from shimwise.web.problems import status_of
from shimwise.web.security import own_path

router = APIRouter()
RATES = {
    "body_month_um": "A body in a month",
    "body_job_um": "A body by a job",
    "lens_month_um": "A lens in a month",
    "lens_job_um": "A lens by a job",
}
NO_LEADS = "No lead is named yet: a signed prep is reopened only by who signed it."


@router.get("/settings")
def show_settings(visit: VisitDep) -> Response:
    """Show the settings."""
    known = settings(visit.record)
    visit.form = _form(known)
    return _shown(visit, known)


@router.post("/settings")
def keep_settings(visit: PostDep) -> Response:
    """Change the settings."""
    form, known = visit.form, settings(visit.record)
    with visit.refusing(status=422):
        form.is_collecting = True
        tolerance_um, coc_um = form.number("tolerance_um"), form.number("coc_um")
        if tolerance_um is None:
            form.refused.setdefault("tolerance_um", "The tolerance is missing: type one such as 10.")
        if coc_um is None:
            form.refused.setdefault("coc_um", "The circle of confusion is missing: type one such as 20.")
        new = replace(
            known,
            setting_sd_mm=form.number("setting_sd_mm"),
            units=form.text("units"),
            tolerance_um=known.tolerance_um if tolerance_um is None else tolerance_um,
            tolerance_by_mount=_by_mount(form),
            coc_um=known.coc_um if coc_um is None else coc_um,
            shim_stock_um=form.numbers("shim_stock_um"),
            theme=form.text("theme"),
        )
        form.settle(lambda: checked_settings(new))
        change_settings(visit.record, settings=new, who=visit.who)
        return visit.go("/settings?saved=yes")
    return _shown(visit, known)


@router.post("/settings/leads")
def keep_leads(visit: PostDep) -> Response:
    """Change who the leads are."""
    leads, known = visit.form, settings(visit.record)
    names = [line for line in leads.get("names").splitlines() if line.strip()]
    with visit.refusing():
        signing.change_leads(visit.record, names=names, who=visit.who)
        return visit.go("/settings?saved=leads#leads")
    visit.form = _form(known)
    return _shown(visit, known, leads=leads)


@router.get("/settings/wear")
def show_wear(visit: VisitDep) -> Response:
    """Show the rates in force."""
    known = wear(visit.record)
    rates = {field: number(getattr(known, field)) for field in RATES}
    visit.form = Form.filled(**rates, reason=known.reason)
    return _wear_page(visit)


@router.post("/settings/wear")
def keep_wear(visit: PostDep) -> Response:
    """Change the rates."""
    form = visit.form
    form.is_collecting = True
    rates = form.read(numbers=RATES)
    for field, label in RATES.items():
        if rates[field] is None:
            form.refused.setdefault(field, f"{label} is missing: type one such as 1.5, or 0.")
    with visit.refusing(status=422):
        form.settle(lambda: None)
        new = WearSettings(**rates, reason=form.text("reason"))
        change_wear(visit.record, settings=new, who=visit.who)
        return visit.go("/settings/wear?saved=yes")
    return _wear_page(visit)


def _wear_page(visit: Visit) -> Response:
    return visit.show(
        "wear.html",
        sentence="What was known of a unit fades with time and travel.",
        rates=RATES,
        is_saved=visit.request.query_params.get("saved") == "yes",
    )


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
    return _list_page(visit)


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
            name, data = file.filename[:LONGEST_FILE_NAME], await file.read()
        else:
            with contextlib.suppress(binascii.Error):
                data = base64.b64decode(str(sent.get("content") or ""), validate=True)
    return await run_in_threadpool(_take, visit, name, data)


def _take(visit: Visit, name: str, data: bytes) -> Response:
    form = visit.form
    is_dry_run = not form.text("take")
    try:
        who = visit.who
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
        form.refused["file"], visit.status = str(error), 422
        own = status_of(error)
        visit.status = own if own in OF_ROLES else 422
        return _list_page(visit)
    visit.status = 422 if outcome.refused else 200
    content = base64.b64encode(data).decode("ascii")
    return remember(_list_page(visit, outcome=outcome, name=name, content=content), visit.actor or visit.name)


def _list_page(
    visit: Visit, *, outcome: HouseListOutcome | None = None, name: str = "", content: str = ""
) -> Response:
    sentence = _list_sentence(outcome, name)
    return visit.show("house/list.html", sentence=sentence, outcome=outcome, name=name, content=content)


def _list_sentence(outcome: HouseListOutcome | None, name: str) -> str:
    if outcome is None:
        return (
            "Bring the house's bodies, lenses and sets from a list; nothing changes before you have seen it."
        )
    if outcome.refused:
        verb = "is" if len(outcome.refused) == 1 else "are"
        return f"{name} cannot be taken: {counted(len(outcome.refused), 'line')} of it {verb} wrong."
    parts = [f"{counted(len(outcome.new_units), 'unit')} new"] if outcome.new_units else []
    parts += [f"{counted(len(outcome.new_sets), 'set')} new"] if outcome.new_sets else []
    parts += [f"{counted(len(outcome.changed), 'fact')} changed"] if outcome.changed else []
    what = ", ".join(parts) or "nothing new"
    return f"{name} is taken in: {what}." if outcome.is_taken else f"{name} would bring {what}."


def _shown(visit: Visit, house: HouseSettings, *, leads: Form | None = None) -> Response:
    units = "metric" if house.units == "m" else "feet and inches"
    named = signing.leads(visit.record)
    return visit.show(
        "settings.html",
        sentence=f"Lengths in {units}, tolerance ±{number(house.tolerance_um)} µm, circle of confusion "
        f"{number(house.coc_um)} µm, {house.theme} theme.",
        saved=visit.request.query_params.get("saved", ""),
        who=Form.filled(who=person_of(visit.request)),
        has_devices=getattr(visit.request.app.state, "has_devices", False),
        taught=house_taught(visit.record),
        leads=leads or Form.filled(names="\n".join(named)),
        leads_words=f"{_listed(named)} may reopen any signed prep." if named else NO_LEADS,
    )


def _listed(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _form(house: HouseSettings) -> Form:
    return Form.filled(
        units=house.units,
        theme=house.theme,
        tolerance_um=number(house.tolerance_um),
        coc_um=number(house.coc_um),
        setting_sd_mm=number(house.setting_sd_mm),
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
        value = Form(values={"value": [typed]}, is_collecting=True).number("value")
        if not mount.strip() or value is None:
            raise InputError(
                "is no line of a mount and its tolerance: write each as PL: 8.",
                field="tolerance_by_mount",
                typed=line.strip(),
            )
        found[mount.strip()] = value
    return found
