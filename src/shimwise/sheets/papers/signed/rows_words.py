"""A prep's rows in words, for papers: units in few words, dates, distances as typed, errors with U."""

import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar

from shimwise.inference.model.judged_names import present_name
from shimwise.inference.verdict.answer import Z95, Answer, BodyAnswer, LensAnswer
from shimwise.inference.verdict.unit_state import StateCode, state_of
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.prep_document import PrepDocument, number_of, time_of
from shimwise.sheets.words.shared import NOT_KNOWN, distance_text, error_text, plain, plus_minus_text
from shimwise.sheets.words.state_words import STATE_WORDS

COVERAGE = Z95
"""The coverage factor k of 95 % of a normal distribution (JCGM 100:2008, 6.3.3 and G.1)."""
_BOUND = re.compile(
    r"(?<=[0-9]) (?=[µ%‰°±mkt])|(?<=[±<>=]) (?=[0-9])|(?<=\bP) (?=[<>=])"
    r"|(?<=[0-9]) (?=\+ [0-9])|(?<=[0-9] \+) (?=[0-9])"
)
"""Spaces between a number and its unit, ± or sign: where no line breaks."""
PLACES = {"body": "bodies", "lens": "lenses"}
"""Kind of unit -> its list in a prep, and its place among the pages."""
Row = Mapping[str, Any]
Data = dict[str, Any]
Unit = TypeVar("Unit", bound=BodyAnswer)


def text_of(row: Row, key: str) -> str:
    """Return a field of a row as plain text; empty if the row has none."""
    return plain(str(row.get(key) or ""))


def texts(row: Row, *keys: str, **renamed: str) -> Data:
    """Return fields of a row as plain text: under their own keys, or by name of the result and key."""
    return {name: text_of(row, key) for name, key in ({key: key for key in keys} | renamed).items()}


def prep_words(prep: PrepDocument) -> Data:
    """Return what every paper shows of its prep: title, state, time of the verdict, digest in groups."""
    verdict = prep.verdict_row or {}
    return {
        "title": plain(prep.title),
        "state": "signed" if prep.is_signed else "draft: not signed",
        "judged": moment_words(verdict["given_at"]) if verdict.get("given_at") else "",
        "digest": digest_words(prep.digest),
    }


def temperature_words(prep: PrepDocument) -> str:
    """Return the temperature that was written down with a prep."""
    celsius = number_of(prep.prep.get("temperature_c"))
    return f"{celsius:g} °C" if math.isfinite(celsius) else "not written down"


def unit_words(unit: BodyAnswer, answer: Answer) -> Data:
    """Return what every paper shows of a unit: name, state, direction, error with U; no error if not read."""
    code = state_of(unit, answer).code
    return {
        "name": plain(unit.name),
        "verdict": STATE_WORDS[code],
        "way": unit.verdict.way,
        "error": NOT_KNOWN if code is StateCode.NOT_READ else error_text(unit),
    }


def kind_of(unit: BodyAnswer) -> str:
    """Return ``body`` or ``lens``."""
    return "lens" if isinstance(unit, LensAnswer) else "body"


def row_of(prep: PrepDocument, unit: BodyAnswer) -> Row:
    """Return a unit's row in the prep; empty if there is none."""
    return prep.named(PLACES[kind_of(unit)], unit.name)


def present(units: Sequence[Unit]) -> list[Unit]:
    """Return the units of a verdict as they are now, without their states before adjustments."""
    return [unit for unit in units if present_name(unit.name) == unit.name]


def cautions(remedies: Sequence[Row]) -> list[str]:
    """Return the cautions of remedies, each once."""
    return list(dict.fromkeys(plain(str(text)) for one in remedies for text in one.get("cautions") or ()))


def bound(text: str) -> str:
    """Return a text in which no line breaks between a number and its unit, its ± or its comparison."""
    return _BOUND.sub("\u00a0", plain(text))


def row_error(row: Row, key: str, sd_key: str = "sd_um") -> str:
    """Return the error that a row keeps, with its expanded uncertainty."""
    return plus_minus_text(number_of(row.get(key)), COVERAGE * number_of(row.get(sd_key)))


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


def zoom_settings_mm(prep: PrepDocument) -> dict[int, float]:
    """Return the focal length [mm] to which a zoom was set, by the number of its reading."""
    return {
        int(row.get("seq") or -1): focal_mm
        for row in prep.rows("readings")
        if (focal_mm := set_to_mm(prep, row))
    }


def set_to_mm(prep: PrepDocument, row: Row) -> float | None:
    """Return the focal length of a zoom's reading [mm]; None for a prime, or where it is not known."""
    lens, focal_mm = prep.row("lenses", row["lens_id"]) or {}, number_of(row.get("focal_mm"))
    is_zoom = len(lens.get("focal_lengths_mm") or ()) > 1
    return focal_mm if is_zoom and math.isfinite(focal_mm) else None


def body_words(body: Row) -> str:
    """Return the mount and the serial number of a body."""
    mount, serial = text_of(body, "mount"), text_of(body, "serial")
    return ", ".join(part for part in (mount, serial and f"no. {serial}") if part)


def setup_distance(prep: PrepDocument, setup_id: object) -> str:
    """Return the distance of a set-up as it was typed."""
    setup = prep.row("setups", setup_id)
    return typed_distance(setup, "distance") if setup is not None else NOT_KNOWN


def typed_distance(row: Row, name: str) -> str:
    """Return a row's distance or reading as it was typed; if that was not kept, in both systems."""
    length = row.get(f"{name}_mm")
    return text_of(row, f"{name}_text") or ("INF" if length is None else distance_text(number_of(length)))


def is_by_picture(row: Row) -> bool:
    """Return whether a reading is a landing by picture."""
    return row.get("landing_um") is not None


def people(rows: Sequence[Row], key: str) -> list[str]:
    """Return the names in rows under a key, each once, in their order."""
    names = (text_of(row, key) for row in rows)
    return list(dict.fromkeys(name for name in names if name))
