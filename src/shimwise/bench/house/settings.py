"""The house's settings: units, tolerances, circle of confusion, shims in stock, theme."""

from dataclasses import asdict, fields, replace
from typing import Any

from shimwise.bench.access.acting import Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import AllRefusals, InputError
from shimwise.bench.house.views import HouseSettings
from shimwise.bench.typed_names import typed_name
from shimwise.bench.typed_numbers import check_number
from shimwise.errors import RemedyError
from shimwise.files.limits import COC_UM, SETTING_SD_MM, TOLERANCE_UM
from shimwise.optics.ring_setting import SETTING_SD_MM as USUAL_SD_MM
from shimwise.record.queries import settings as kept
from shimwise.record.record import Connection, Record
from shimwise.remedy.mechanism import ShimmedMount

KEY = "house"
UNITS = ("ft", "m")
THEMES = ("dark", "light")
MOST_MOUNTS = 50


def settings(record: Record) -> HouseSettings:
    """Return the settings in force."""
    with record.reading() as connection:
        return settings_in(connection)


def settings_in(connection: Connection) -> HouseSettings:
    """Return the settings as one look at the record has them."""
    stored: Any = kept.setting(connection, KEY)
    if not stored:
        return HouseSettings()
    names = {one.name for one in fields(HouseSettings)}
    known = {name: value for name, value in stored.items() if name in names}
    return HouseSettings(**{**known, "shim_stock_um": tuple(known.get("shim_stock_um", ()))})


def change_settings(record: Record, *, settings: HouseSettings, who: Who) -> HouseSettings:
    """Put other settings in force.

    Raises
    ------
    InputError
        If one of them cannot be: with its name.
    """
    permitted(who, Act.SETTINGS)
    checked = checked_settings(settings)
    with changing(record, who, Act.SETTINGS) as change:
        kept.change_setting(change, KEY, {**asdict(checked), "shim_stock_um": list(checked.shim_stock_um)})
        change.note("settings changed")
    return checked


def checked_settings(new: HouseSettings) -> HouseSettings:
    """Return settings that can be; errors as :func:`change_settings`, all of them together."""
    with AllRefusals() as refusals:
        refusals.of(_check_choices, new)
        refusals.of(check_number, new.tolerance_um, TOLERANCE_UM, field="tolerance_um")
        refusals.of(check_number, new.coc_um, COC_UM, field="coc_um")
        refusals.of(check_number, new.setting_sd_mm, SETTING_SD_MM, field="setting_sd_mm")
        by_mount = refusals.of(_by_mount, new) or {}
        stock_um = refusals.of(_stock, new) or ()
    return replace(
        new,
        tolerance_um=float(new.tolerance_um),
        tolerance_by_mount=by_mount,
        coc_um=float(new.coc_um),
        shim_stock_um=tuple(sorted(set(stock_um))),
        setting_sd_mm=None if new.setting_sd_mm is None else float(new.setting_sd_mm),
    )


def setting_sd_mm(house: HouseSettings) -> float:
    """Return how exactly a ring is set to its mark: the house's, else the usual. [mm at 3 ft]"""
    return USUAL_SD_MM if house.setting_sd_mm is None else house.setting_sd_mm


def _check_choices(new: HouseSettings) -> None:
    if new.units not in UNITS:
        raise InputError(
            f"is no unit of the house; accepted is {' or '.join(UNITS)}.", field="units", typed=new.units
        )
    if new.theme not in THEMES:
        raise InputError(f"is no theme; accepted is {' or '.join(THEMES)}.", field="theme", typed=new.theme)


def _by_mount(new: HouseSettings) -> dict[str, float]:
    if len(new.tolerance_by_mount) > MOST_MOUNTS:
        raise InputError(
            f"names {len(new.tolerance_by_mount)} mounts; at most {MOST_MOUNTS} are kept.",
            field="tolerance_by_mount",
        )
    by_mount = {}
    for mount, tolerance_um in new.tolerance_by_mount.items():
        check_number(tolerance_um, TOLERANCE_UM, field="tolerance_by_mount")
        by_mount[typed_name(mount, field="tolerance_by_mount")] = float(tolerance_um)
    return by_mount


def _stock(new: HouseSettings) -> tuple[float, ...]:
    try:
        return ShimmedMount(stock_um=new.shim_stock_um).stock_um
    except RemedyError as error:
        raise InputError(str(error), field="shim_stock_um") from error
