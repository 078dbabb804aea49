"""Sets papers by typst: templates of the package, data as JSON, pictures as SVG; equal input, equal bytes.

What a person typed reaches a page as data, never as markup. A sign that no bundled typeface has would stop an
archival PDF; it is shown as a box, and the attached prep.json keeps it.
"""

import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from shimwise.errors import SheetError
from shimwise.sheets.papers.pictures import FONTS

STANDARDS = ("a-3a", "ua-1")
"""PDF/A-3a (ISO 19005-3: archival, tagged, with attachments) and PDF/UA-1 (ISO 14289-1)."""
TEMPLATES = ("house.typ", "check.typ", "sheets.typ", "card.typ", "labels.typ", "set.typ")
MISSING = "\u25a1"
"""Shown for a sign that no typeface has: a box."""
MOST_TRIES = 40
FILE_KEYS = ("file", "qr", "attachment")
BREAK, PIECE = "\u200b", 8
"""Where a word of 26 letters and more may be broken: a space of no width."""
_LONG = re.compile(r"\S{26,}")
_NO_SIGN = re.compile(r"the text `?\"(?P<text>.*?)\"`? could not be displayed", re.DOTALL)
Data = dict[str, Any]


def set_paper(
    template: str, data: Mapping[str, Any], parts: Mapping[str, bytes], *, dated: datetime
) -> bytes:
    """Set a paper.

    Parameters
    ----------
    template : str
        Name of the template, such as ``sheets.typ``.
    data : mapping
        What stands on it: plain JSON, read by the template.
    parts : mapping of str to bytes
        Pictures and attachments by their file names.
    dated : datetime
        The time that the file carries, so that equal papers are equal files.

    Returns
    -------
    bytes
        A PDF of the kinds :data:`STANDARDS`, typefaces embedded.

    Raises
    ------
    SheetError
        When it cannot be set.
    """
    told: Data = {**_breakable(data), "date": _date(dated)}
    for _ in range(MOST_TRIES):
        try:
            return _compiled(template, told, parts, dated)
        except SheetError as error:
            missing = _NO_SIGN.search(str(error))
            if missing is None or not missing["text"]:
                raise
            told = _without(told, missing["text"])
    told = _without(told, None)
    return _compiled(template, told, parts, dated)


def _compiled(template: str, data: Data, parts: Mapping[str, bytes], dated: datetime) -> bytes:
    import typst

    contents = {"main.typ": _templates()[template], **_templates(), **parts}
    contents["data.json"] = json.dumps(data, ensure_ascii=False).encode("utf-8", "replace")
    try:
        page = typst.compile(  # type: ignore[call-overload]  # its stubs leave files by name out
            contents,
            format="pdf",
            font_paths=[str(FONTS)],
            ignore_system_fonts=True,
            pdf_standards=list(STANDARDS),
            timestamp=int(dated.timestamp()),
        )
    except typst.TypstError as error:
        raise SheetError(f"The paper could not be set: {error}.") from error
    if not isinstance(page, bytes):
        raise SheetError(f"The paper came as {type(page).__name__}, not as one PDF.")
    return page


@cache
def _templates() -> dict[str, bytes]:
    folder = files("shimwise.sheets.papers").joinpath("templates")
    names = (name for name in TEMPLATES if folder.joinpath(name).is_file())
    return {name: folder.joinpath(name).read_bytes() for name in names}


def _date(dated: datetime) -> Data:
    at = dated.astimezone(UTC)
    return {
        "year": at.year,
        "month": at.month,
        "day": at.day,
        "hour": at.hour,
        "minute": at.minute,
        "second": at.second,
    }


def _breakable(value: Any, key: str = "") -> Any:  # noqa: ANN401 - a tree of JSON
    """Let a word that is longer than a column be broken; names of files stay."""
    if isinstance(value, str):
        return value if key in FILE_KEYS else _LONG.sub(_broken, value)
    if isinstance(value, Mapping):
        return {name: _breakable(item, name) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_breakable(item, key) for item in value]
    return value


def _broken(word: re.Match[str]) -> str:
    pieces = (word[0][at : at + PIECE] for at in range(0, len(word[0]), PIECE))
    return BREAK.join(pieces)


def _without(value: Any, signs: str | None) -> Any:  # noqa: ANN401 - a tree of JSON
    """Show a box for signs that no typeface has; None: for all but Latin, Greek and the trade's own."""
    if isinstance(value, str):
        return "".join(MISSING if _is_missing(sign, signs) else sign for sign in value)
    if isinstance(value, Mapping):
        return {key: _without(item, signs) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without(item, signs) for item in value]
    return value


def _is_missing(sign: str, signs: str | None) -> bool:
    if signs is not None:
        return sign in signs
    return not (sign.isascii() or "\u00a0" <= sign <= "\u024f" or sign in "µ±−×·–—…‘’“”′″°‰∞Ωσ")
