"""A prep's rows in words, for papers: units in few words, dates, distances as typed, errors with U."""

import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from shimwise.inference.verdict.answer import BodyAnswer
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of, time_of
from shimwise.sheets.words.shared import NOT_KNOWN, distance_text, plain, plus_minus_text

COVERAGE = 2.0
"""The coverage factor k: about 95 % of a normal distribution (JCGM 100:2008, 6.3.3)."""
_BOUND = re.compile(
    r"(?<=[0-9]) (?=[µ%‰°±mkt])|(?<=[±<>=]) (?=[0-9])|(?<=\bP) (?=[<>=])"
    r"|(?<=[0-9]) (?=\+ [0-9])|(?<=[0-9] \+) (?=[0-9])"
)
"""Spaces between a number and its unit, ± or sign: where no line breaks."""
_BEFORE = re.compile(r" before adjustment [0-9]+$")
Row = Mapping[str, Any]


def bound(text: str) -> str:
    """Return a text in which no line breaks between a number and its unit, its ± or its comparison."""
    return _BOUND.sub("\u00a0", plain(text))


def expanded_um(unit: BodyAnswer) -> float:
    """Return the expanded uncertainty U = k·u of a unit's error, k = 2. [µm]"""
    return COVERAGE * unit.sd_um


def u_text(unit: BodyAnswer) -> str:
    """Return a unit's error and its expanded uncertainty, ``−14 ± 6``. [µm, short < 0 < deep]"""
    return plus_minus_text(unit.error_um, expanded_um(unit))


def present_name(name: str) -> str:
    """Name of the unit that a verdict names, whatever its state: without ``before adjustment 1``."""
    return _BEFORE.sub("", name)


def date_words(time: datetime) -> str:
    """Return a date: ``3 February 2026``."""
    return f"{time.day} {time:%B %Y}"


def moment_words(time: object) -> str:
    """Return a time of a row: ``3 February 2026, 09:55``, in the row's own zone."""
    moment = time_of(time)
    zone = "UTC" if not moment.utcoffset() else moment.strftime("UTC%z")
    return f"{date_words(moment)}, {moment:%H:%M} {zone}"


def lens_words(lens: Row) -> str:
    """Return the focal length and the f-number of a lens: ``24–80 mm f/2.8``."""
    focal = [number_of(value) for value in lens.get("focal_lengths_mm") or ()]
    ends = sorted({min(focal), max(focal)}) if focal else []
    fnumber, squeeze = number_of(lens.get("fnumber")), number_of(lens.get("squeeze"))
    parts = ["–".join(f"{end:g}" for end in ends) + " mm"] if ends else []
    parts += [f"f/{fnumber:g}"] if math.isfinite(fnumber) else []
    parts += [f"{squeeze:g}×"] if math.isfinite(squeeze) and squeeze != 1 else []
    return " ".join(parts)


def lens_texts(prep: PrepDocument) -> dict[str, str]:
    """Return :func:`lens_words` of each lens by its name."""
    return {str(lens["name"]): lens_words(lens) for lens in prep.rows("lenses")}


def body_words(body: Row) -> str:
    """Return the mount and the serial number of a body."""
    serial = plain(str(body.get("serial") or ""))
    return ", ".join(
        part for part in (plain(str(body.get("mount") or "")), serial and f"no. {serial}") if part
    )


def setup_distance(prep: PrepDocument, setup_id: object) -> str:
    """Return the distance of a set-up as it was typed."""
    setup = prep.row("setups", setup_id)
    return (
        NOT_KNOWN if setup is None else typed_distance(setup.get("distance_text"), setup.get("distance_mm"))
    )


def typed_distance(text: object, distance_mm: object) -> str:
    """Return a distance as it was typed; if that was not kept, in both systems."""
    typed = plain(str(text or ""))
    if typed:
        return typed
    value = number_of(distance_mm)
    return "INF" if distance_mm is None else distance_text(value)


def people(rows: Sequence[Row], key: str) -> list[str]:
    """Return the names in rows under a key, each once, in their order."""
    names = (plain(str(row.get(key) or "")) for row in rows)
    return list(dict.fromkeys(name for name in names if name))
