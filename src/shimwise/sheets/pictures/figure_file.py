"""Saving a figure as SVG, PNG or PDF, with its description inside and nothing half-written."""

import json
import os
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

from shimwise.errors import SheetError

SUFFIXES = (".svg", ".png", ".pdf")
PNG_SCALE = 2.0
"""Pixels of a PNG for each point of the figure."""


def save_figure(spec: Mapping[str, Any], path: str | os.PathLike[str]) -> Path:
    """Save a figure; the suffix of the path determines how: .svg, .png or .pdf. An existing file is replaced.

    An SVG carries the figure's description for those who do not see it; a PDF holds its fonts.

    Parameters
    ----------
    spec : mapping
        A Vega-Lite specification with its description.
    path : path
        Where to.

    Returns
    -------
    Path
        Where it was saved.

    Raises
    ------
    SheetError
        As :func:`check_figure_path`, or if the file cannot be written for another reason.
    """
    target = Path(path)
    check_figure_path(target)
    content = _rendered(spec, target.suffix.lower())
    try:
        _write(target, content)
    except OSError as error:
        reason = error.strerror or str(error)
        raise SheetError(
            f"The figure cannot be saved as {target}: {reason}. Choose another folder."
        ) from error
    return target


def check_figure_path(path: str | os.PathLike[str]) -> None:
    """Refuse, before any work is done, a path that no figure can be saved under.

    Raises
    ------
    SheetError
        If the suffix is none of :data:`SUFFIXES`, or the folder is not there or cannot be written to.
    """
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        found = f"ends in {target.suffix}" if target.suffix else "has no ending"
        raise SheetError(
            f"A figure is saved as {', '.join(SUFFIXES[:-1])} or {SUFFIXES[-1]}, "
            f"but {target.name!r} {found}. Choose one of these endings."
        )
    if target.is_dir():
        raise SheetError(
            f"The figure cannot be saved as {target}: that is a folder. Give the name of a file."
        )
    if not target.parent.is_dir():
        raise SheetError(f"The figure cannot be saved: there is no folder {target.parent}. Make it first.")
    if not os.access(target.parent, os.W_OK):
        raise SheetError(
            f"The figure cannot be saved: the folder {target.parent} cannot be written to. Choose another."
        )


def _rendered(spec: Mapping[str, Any], suffix: str) -> bytes:
    import vl_convert

    text = json.dumps(spec)
    match suffix:
        case ".svg":
            return _described(vl_convert.vegalite_to_svg(text), spec["description"]).encode("utf-8")
        case ".png":
            return vl_convert.vegalite_to_png(text, scale=PNG_SCALE)
        case _:
            return vl_convert.vegalite_to_pdf(text)


def _described(svg: str, words: str) -> str:
    """Put the description into an SVG as its title and desc."""
    start = svg.index("<svg")
    end = svg.index(">", start)
    title = words.split(". ", 1)[0]
    inside = f"<title>{escape(title)}</title><desc>{escape(words)}</desc>"
    return f'{svg[:end]} role="img">{inside}{svg[end + 1 :]}'


def _write(target: Path, content: bytes) -> None:
    """Write beside the target, then put it in its place: a reader never sees half a file."""
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_bytes(content)
        part.replace(target)
    finally:
        part.unlink(missing_ok=True)
