"""Sets papers by typst: templates of the package, data as JSON, pictures as SVG; equal input, equal bytes.

What a person typed reaches a page as data, never as markup. A sign that no bundled typeface has would stop an
archival PDF; it is shown as a box, and the attached prep.json keeps it.
"""

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from shimwise import __version__
from shimwise.errors import SheetError
from shimwise.sheets.charts.typeset import typeset

STANDARDS = ("a-3a", "ua-1")
"""PDF/A-3a (ISO 19005-3: archival, tagged, with attachments) and PDF/UA-1 (ISO 14289-1)."""
TEMPLATES = Path(__file__).parent / "templates"
DATE_PARTS = ("year", "month", "day", "hour", "minute", "second")
MAKER = f"Shimwise {__version__}"
SETTERS = ("typst", "vl-convert-python", "segno")
"""What else a page's look depends on."""
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Name -> width and height upright [mm] (ISO 216; 8.5 × 11 in)."""
A5_MM = (148.0, 210.0)
"""Half of A4 (ISO 216 rounds down)."""
MISSING = "\u25a1"
"""Shown for a sign that no typeface has: a box."""
MOST_TRIES = 40
FILE_KEYS = ("file", "qr", "attachment")
BREAK = "\u200b"
"""Where a word of 26 letters and more may be broken, every 8 letters: a space of no width."""
_PIECES = re.compile(r"\S{1,8}")
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
        Its content: plain JSON, read by the template.
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
        If it cannot be set.
    """
    date = dict(zip(DATE_PARTS, dated.astimezone(UTC).timetuple(), strict=False))
    words: Data = {**_changed(data, _breakable), "date": date}
    for _ in range(MOST_TRIES):
        try:
            return _compiled(template, words, parts, dated)
        except SheetError as error:
            missing = _NO_SIGN.search(str(error))
            if missing is None or not missing["text"]:
                raise
            words = _changed(words, _without(missing["text"]))
    return _compiled(template, _changed(words, _without(None)), parts, dated)


def _compiled(template: str, data: Data, parts: Mapping[str, bytes], dated: datetime) -> bytes:
    files = {"main.typ": _templates()[template], **_templates(), **parts}
    files["data.json"] = json.dumps(data, ensure_ascii=False).encode("utf-8", "replace")
    at = int(dated.timestamp())
    return typeset(files, what="The paper", pdf_standards=list(STANDARDS), timestamp=at)


@cache
def _templates() -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in TEMPLATES.glob("*.typ")}


def _changed(value: Any, change: Callable[[str], str], key: str = "") -> Any:  # noqa: ANN401 - a tree of JSON
    """Return a tree of JSON with its texts changed; names of files stay."""
    if isinstance(value, str):
        return value if key in FILE_KEYS else change(value)
    if isinstance(value, Mapping):
        return {name: _changed(item, change, name) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_changed(item, change, key) for item in value]
    return value


def _breakable(text: str) -> str:
    """Return a text whose words longer than a column can be broken."""
    return _LONG.sub(lambda word: BREAK.join(_PIECES.findall(word[0])), text)


def _without(signs: str | None) -> Callable[[str], str]:
    """Return what shows a box for signs that no typeface has; None: for all but Latin, Greek, the trade's."""

    def is_missing(sign: str) -> bool:
        if signs is not None:
            return sign in signs
        return not (sign.isascii() or "\u00a0" <= sign <= "\u024f" or sign in "µ±−×·–—…‘’“”′″°‰∞Ωσ")

    return lambda text: "".join(MISSING if is_missing(sign) else sign for sign in text)


@cache
def maker_print() -> str:
    """Return the digest of all that sets a page: sources, templates, typefaces, and the setters' versions."""
    folder = Path(__file__).parents[1]
    digest = hashlib.sha256(__version__.encode())
    for name in SETTERS:
        digest.update(f"{name} {version(name)}".encode())
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".py", ".typ", ".ttf"):
            digest.update(path.relative_to(folder).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def paper_mm(name: str) -> tuple[float, float]:
    """Return the width and height of a paper by its name. [mm]

    Raises
    ------
    SheetError
        If it is not known.
    """
    sizes = {known.casefold(): size for known, size in PAPERS_MM.items()}
    size = sizes.get(name.strip().casefold())
    if size is None:
        raise SheetError(f"The paper {name[:40]!r} is not known; give {' or '.join(PAPERS_MM)}.")
    return size


def half_mm(name: str) -> tuple[float, float]:
    """Return the width and height of half a paper, upright: A5, or half a Letter. [mm]"""
    width_mm, height_mm = paper_mm(name)
    return height_mm / 2 if name.strip().casefold() != "a4" else A5_MM[0], width_mm
