"""The kit file: what is known of bodies and lenses before a reading, written in TOML by the house.

Every key is optional. Errors are in microns at the sensor, short below 0, deep above. A body or lens is named
as in the readings; names with spaces are quoted. A complete example::

    tolerance_um = 10                # of every unit that has none of its own, ±

    [shims]
    stock_um = [10, 20, 50, 100]     # for lenses, and for mounts without a stock of their own

    [bodies.B1]
    mount = "PL"
    pixel_pitch_um = 5.5
    circle_of_confusion_um = 20
    tolerance_um = 8
    history_mean_um = -2             # last time's answer; without it the mean is 0
    history_sd_um = 5
    gauge_um = 1.5                   # depth gauge: deviation from the nominal flange depth
    gauge_sd_um = 3

    [bodies.B1.mechanism]
    kind = "screw"
    um_per_turn = 350
    um_per_turn_sd = 15
    away = "clockwise"               # this way the sensor goes away from the flange
    has_lock = true
    backlash_um = 12

    [bodies.B2.mechanism]
    kind = "shimmed mount"
    stock_um = [10, 25, 50]

    [bodies."B3 spare"]
    mechanism = "fixed"

    [lenses.L01]
    focal_length_mm = 50
    f_number = 2
    principal_separation_mm = 12.5
    focus_design = "unit focus"
    mount = "PL"
    marks = ["2 ft", "3 ft", "4 ft", "6 ft", "10 ft", "INF"]  # all that are engraved
    history_mean_um = 3
    history_sd_um = 5
    gauge_um = 4                     # collimator: landing at infinity
    gauge_sd_um = 4

    [lenses.Z1]                      # a zoom: the focal lengths it is read at, or its ends
    focal_length_mm = [24, 50, 80]
    f_number = 2.8

    [lenses.A1]
    focal_length_mm = 40
    squeeze = 2

    [lenses.I1]
    focal_length_mm = 85
    focus_design = "internal focus"
    by_distance = [
        { distance = "3 ft", focal_length_mm = 78, principal_separation_mm = 10 },
        { distance = "INF", focal_length_mm = 85, principal_separation_mm = 14 },
    ]
"""

import re
from itertools import pairwise
from pathlib import Path

from shimwise.errors import LengthError, RemedyError
from shimwise.files.csv_fields import DESIGNS
from shimwise.files.errors import KitError
from shimwise.files.kit import FROM_KIT, Kit, KitBody, KitLens
from shimwise.files.limits import (
    COC_UM,
    ERROR_UM,
    FNUMBER,
    FOCAL_MM,
    MECHANISM_UM,
    PIXEL_PITCH_UM,
    SEPARATION_MM,
    SQUEEZE,
    TRAVEL_UM,
    WRITTEN_SD_UM,
)
from shimwise.files.opening import read_bytes
from shimwise.files.toml_tables import Table
from shimwise.files.toml_text import read_toml
from shimwise.lengths import length_to_mm
from shimwise.remedy.mechanism import Fixed, Mechanism, Screw, ShimmedMount, Turn

_KINDS = {"screw": "screw", "shimmed mount": "shimmed mount", "shimmed": "shimmed mount", "fixed": "fixed"}
_AT_LINE = re.compile(r"\(at (.*?)\)\s*$")


def read_kit(path: str | Path) -> Kit:
    """Read a kit file in the form that this module describes.

    Parameters
    ----------
    path : str or Path
        The TOML file.

    Raises
    ------
    KitError
        If it cannot be opened, is no TOML, or has a value that is not accepted: with the key.
    """
    return parse_kit(read_bytes(path, error=KitError), name=Path(path).name)


def parse_kit(data: bytes | str, *, name: str) -> Kit:
    """Read a kit from the content of its file; ``name`` is the file in messages.

    Raises
    ------
    KitError
        As :func:`read_kit`.
    """
    top = Table(_toml(data, name), name=name)
    stock = top.table("shims")
    kit = Kit(
        tolerance_um=top.number("tolerance_um", WRITTEN_SD_UM),
        shim_stock_um=_stock(stock),
        bodies={name: _body(table) for name, table in top.named_tables("bodies").items()},
        lenses={name: _lens(table) for name, table in top.named_tables("lenses").items()},
    )
    stock.close()
    top.close()
    return kit


def _toml(data: bytes | str, name: str) -> dict[str, object]:
    try:
        return read_toml(data if isinstance(data, str) else data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise KitError(
            f"byte {error.start + 1} cannot be read as UTF-8. Save the kit file as UTF-8 and try again.",
            name=name,
        ) from error
    except RecursionError as error:
        raise KitError(
            "is nested too deeply to be a kit. Write one table for a body or lens.", name=name
        ) from error
    except ValueError as error:  # a TOMLDecodeError, or a number of thousands of digits
        place = _AT_LINE.search(str(error))
        reason = _AT_LINE.sub("", str(error)).strip()
        raise KitError(
            f"is no TOML: {reason}. Correct that line; texts stand in quotes, numbers do not.",
            name=name,
            key=place.group(1) if place else None,
        ) from error


def _unit(table: Table) -> dict[str, float | None]:
    """Read history and gauge: a mean or a value is nothing without its sd."""
    unit = {
        "history_mean_um": table.number("history_mean_um", ERROR_UM),
        "history_sd_um": table.number("history_sd_um", WRITTEN_SD_UM),
        "gauge_um": table.number("gauge_um", ERROR_UM),
        "gauge_sd_um": table.number("gauge_sd_um", WRITTEN_SD_UM),
    }
    if unit["history_sd_um"] is None and unit["history_mean_um"] is not None:
        raise table.refuse("stands without history_sd_um. Write how sure it is.", "history_mean_um")
    if unit["gauge_sd_um"] is None and unit["gauge_um"] is not None:
        raise table.refuse("stands without gauge_sd_um. Write how sure the gauge is.", "gauge_um")
    if unit["gauge_um"] is None and unit["gauge_sd_um"] is not None:
        raise table.refuse("stands without gauge_um. Write what the gauge shows.", "gauge_sd_um")
    if unit["history_sd_um"] is not None and unit["history_mean_um"] is None:
        unit["history_mean_um"] = 0.0
    return unit


def _body(table: Table) -> KitBody:
    body = KitBody(
        mount=table.text("mount"),
        pixel_pitch_um=table.number("pixel_pitch_um", PIXEL_PITCH_UM),
        circle_of_confusion_um=table.number("circle_of_confusion_um", COC_UM),
        tolerance_um=table.number("tolerance_um", WRITTEN_SD_UM),
        mechanism=_mechanism(table),
        **_unit(table),
    )
    table.close()
    return body


def _mechanism(table: Table) -> Mechanism | None:
    if not table.has("mechanism"):
        return None
    if table.is_text("mechanism"):
        kind, own = table.word("mechanism", _KINDS), Table({}, name=table.name, place=table.place)
    else:
        own = table.table("mechanism")
        kind = own.word("kind", _KINDS)
    if kind is None:
        raise own.refuse("is missing; accepted is screw, shimmed mount or fixed.", "kind")
    try:
        mechanism: Mechanism = Fixed()
        if kind == "screw":
            mechanism = _screw(own)
        elif kind == "shimmed mount":
            mechanism = ShimmedMount(stock_um=_stock(own))
    except RemedyError as error:
        raise own.refuse(str(error)) from error
    own.close()
    return mechanism


def _screw(table: Table) -> Screw:
    return Screw(
        um_per_turn=table.number("um_per_turn", TRAVEL_UM),
        um_per_turn_sd=table.number("um_per_turn_sd", MECHANISM_UM),
        away=table.word("away", {turn.value: turn for turn in Turn}),
        has_lock=table.flag("has_lock"),
        backlash_um=table.number("backlash_um", MECHANISM_UM),
    )


def _stock(table: Table) -> tuple[float, ...]:
    stock_um = table.numbers("stock_um", TRAVEL_UM, is_rising=False)
    try:
        return ShimmedMount(stock_um=stock_um).stock_um
    except RemedyError as error:
        raise table.refuse(str(error), "stock_um") from error


def _lens(table: Table) -> KitLens:
    lens = KitLens(
        mount=table.text("mount"),
        focal_lengths_mm=table.numbers("focal_length_mm", FOCAL_MM),
        fnumber=table.number("f_number", FNUMBER),
        separation_mm=table.number("principal_separation_mm", SEPARATION_MM),
        focus_design=table.word("focus_design", DESIGNS),
        squeeze=table.number("squeeze", SQUEEZE),
        by_distance=_by_distance(table),
        marks_mm=_marks(table),
        source=FROM_KIT,
        **_unit(table),
    )
    table.close()
    return lens


def _marks(table: Table) -> tuple[float, ...]:
    """Read the engraved distances, from near to far, infinity last if it is among them."""
    marks = []
    for text in table.texts("marks"):
        try:
            marks.append(length_to_mm(text))
        except LengthError as error:
            raise table.refuse(str(error), "marks") from error
    if any(later <= earlier for earlier, later in pairwise(marks)):
        raise table.refuse("are out of order. Sort them from near to far, each mark once.", "marks")
    return tuple(marks)


def _by_distance(table: Table) -> tuple[tuple[float, float, float], ...]:
    rows = []
    for row in table.tables("by_distance"):
        text = row.text("distance")
        focal_mm = row.number("focal_length_mm", FOCAL_MM)
        separation_mm = row.number("principal_separation_mm", SEPARATION_MM)
        row.close()
        if focal_mm is None:
            raise row.refuse("is missing. Each row needs a distance and its focal length.", "focal_length_mm")
        try:
            rows.append((length_to_mm(text), focal_mm, separation_mm or 0.0))
        except LengthError as error:
            raise row.refuse(str(error), "distance") from error
    if any(later[0] <= earlier[0] for earlier, later in pairwise(rows)):
        raise table.refuse(
            "has rows out of order. Sort them from near to far, each distance once.", "by_distance"
        )
    return tuple(rows)
