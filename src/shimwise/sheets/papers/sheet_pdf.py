"""Check sheets as PDF, of one prep or a whole day of them, and what all papers share in their making."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.charts.drawing import qr_svg
from shimwise.sheets.json.sweep_json import sweep_from_json
from shimwise.sheets.papers.check_sheet import check_sheet
from shimwise.sheets.papers.pictures import PaperPicture, rail_pictures, sweep_pictures
from shimwise.sheets.papers.setting import MAKER, maker_print, paper_mm, set_paper
from shimwise.sheets.papers.signed.canonical_json import canonical_bytes
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import Data, lens_texts, zoom_settings_mm
from shimwise.sheets.papers.signed.sweeps_rows import kept_curves

SHEET_FILE, SHEET_SCHEMA = "sheet.json", "shimwise.sheet/1"
"""The attachment on how a paper was made, by which it can be made again and compared; and its form."""
PREP_FILE = "prep.json"
CHECK = "check"
DRAWING, SETTING = "Drawing the sheets", "Setting the pages"
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPrep:
    """A prep document and its newest verdict as an answer; None where nothing was judged."""

    prep: PrepDocument
    answer: Answer | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOrder:
    """A sheet to be drawn: ``mark`` begins the names of its pictures, ``link`` is for its QR square."""

    judged: JudgedPrep
    mark: str
    link: str


DrawnSheet = tuple[Data, dict[str, bytes]]
"""The data of a sheet, and its pictures by name."""
Drawing = Callable[[Callable[[SheetOrder], DrawnSheet], Sequence[SheetOrder]], Iterable[DrawnSheet]]
"""Applies a function to orders and returns the results in their order, as :func:`map` does."""


def check_sheets_pdf(
    preps: Sequence[JudgedPrep],
    *,
    paper: str = "A4",
    link: str = "",
    progress: Progress | None = None,
    drawing: Drawing = map,
) -> bytes:
    """Print check sheets to one PDF.

    Parameters
    ----------
    preps : sequence of JudgedPrep
        One or more, in the order of the sheets; each begins on a new page with page numbers of its own.
    paper : str
        ``A4`` or ``Letter``.
    link : str
        Address of the house's pages, ``https://bench.local``, for the QR square; without it the square holds
        the prep's id and the beginning of its digest.
    progress : callable, optional
        Called with what is being done, how far it is and how far it goes.
    drawing : callable
        Draws the sheets, one after the other by default.

    Returns
    -------
    bytes
        A PDF of the kinds PDF/A-3a and PDF/UA-1; equal for equal arguments.

    Raises
    ------
    SheetError
        If the paper is not known or the pages cannot be set.
    """
    report = progress or (lambda *_: None)
    size_mm = paper_mm(paper)
    parts: dict[str, bytes] = {}
    sheets, attached = [], {}
    orders = [SheetOrder(judged=one, mark=f"{place:03d}", link=link) for place, one in enumerate(preps, 1)]
    report(DRAWING, 0, len(preps))
    for order, (sheet, pictures) in zip(orders, drawing(drawn_sheet, orders), strict=True):
        name = PREP_FILE if len(preps) == 1 else f"prep-{order.mark}.json"
        attached[name] = order.judged.prep
        sheets.append({**sheet, "attachment": name})
        parts |= pictures
        report(DRAWING, len(sheets), len(preps))
    report(SETTING, 0, 0)
    title = sheets[0]["title"] if len(sheets) == 1 else f"Check sheets of {len(sheets)} preps"
    data = {"title": title, "sheets": sheets}
    return paper_pdf("sheets.typ", data, parts, attached, size_mm, kind=CHECK, paper=paper, link=link)


def paper_pdf(
    template: str,
    data: Data,
    parts: Mapping[str, bytes],
    preps: Mapping[str, PrepDocument],
    size_mm: tuple[float, float],
    **how: object,
) -> bytes:
    """Return a paper as PDF, with its preps and how it was made attached.

    Parameters
    ----------
    template : str
        Name of its template.
    data : dict
        What the template reads.
    parts : mapping of str to bytes
        Pictures by their file names.
    preps : mapping of str to PrepDocument
        Preps by the names of their attachments.
    size_mm : tuple of float
        Width and height of a page. [mm]
    **how
        Kind and options, with which the same paper can be made again.
    """
    made = {"schema": SHEET_SCHEMA, "preps": list(preps), "made_by": MAKER, "made_with": maker_print(), **how}
    files = {
        **parts,
        **{name: canonical_bytes(prep.travelling) for name, prep in preps.items()},
        SHEET_FILE: json.dumps(made, ensure_ascii=False, indent=1, sort_keys=True).encode(),
    }
    words = {**data, "maker": MAKER, "width_mm": size_mm[0], "height_mm": size_mm[1]}
    return set_paper(template, words, files, dated=max(prep.dated for prep in preps.values()))


def prep_code(prep: PrepDocument, link: str) -> str:
    """Return the text of a prep's QR square: its page's address, or its id and its digest's beginning."""
    prep_id = str(prep.prep.get("id") or "")
    return f"{link.rstrip('/')}/preps/{prep_id}" if link else f"SHIMWISE PREP {prep_id} {prep.digest[:16]}"


def drawn_sheet(order: SheetOrder) -> DrawnSheet:
    """Return the data of one sheet, and its pictures."""
    prep, answer = order.judged.prep, order.judged.answer
    parts: dict[str, bytes] = {}

    def keep(name: str, svg: str) -> str:
        parts[f"{order.mark}-{name}.svg"] = svg.encode()
        return f"{order.mark}-{name}.svg"

    def kept(name: str, pictures: Sequence[PaperPicture]) -> list[Data]:
        numbered = enumerate(pictures)
        return [{"file": keep(f"{name}-{number}", one.svg), "alt": one.alt} for number, one in numbered]

    sheet = check_sheet(prep, answer)
    sheet["qr"] = keep("qr", qr_svg(prep_code(prep, order.link)))
    sheet["pictures"] = []
    if answer is not None:
        rails = rail_pictures(answer, lens_text=lens_texts(prep), zoom_mm=zoom_settings_mm(prep))
        sheet["pictures"] = kept("rail", rails)
    for place, (row, sweep) in enumerate(zip(prep.rows("sweeps"), sheet["sweeps"], strict=True)):
        pictures = sweep_pictures(sweep_from_json(row["result"]), kept_curves(row))
        sweep["pictures"] = kept(f"sweep-{place}", pictures)
    return sheet, parts
