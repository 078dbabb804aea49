"""Makes check sheets as PDF: one prep or a whole day of them, each with its prep attached."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.inference.verdict.answer import Answer
from shimwise.sheets.json.sweep_json import sweep_from_json
from shimwise.sheets.papers.check_sheet import check_sheet
from shimwise.sheets.papers.maker import MAKER, maker_print
from shimwise.sheets.papers.pictures import qr_svg, rail_pictures, sweep_pictures
from shimwise.sheets.papers.setting import set_paper
from shimwise.sheets.papers.signed.canonical_json import canonical_bytes
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import lens_texts
from shimwise.sheets.papers.signed.sweeps_rows import kept_curves
from shimwise.sheets.papers.sizes import paper_mm

SHEET_FILE, SHEET_SCHEMA = "sheet.json", "shimwise.sheet/1"
"""The attachment that says how a paper was made, and its form."""
CHECK = "check"
SETTING = "Setting the pages"
Told = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedPrep:
    """A prep document and its newest verdict as an answer; None where nothing was judged."""

    prep: PrepDocument
    answer: Answer | None


def check_sheets_pdf(
    preps: Sequence[JudgedPrep], *, paper: str = "A4", link: str = "", progress: Told | None = None
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
        Told what is being done, how far it is and how far it goes.

    Returns
    -------
    bytes
        A PDF of the kinds PDF/A-3a and PDF/UA-1; equal for equal arguments.

    Raises
    ------
    SheetError
        When the paper is not known or the pages cannot be set.
    """
    width_mm, height_mm = paper_mm(paper)
    parts: dict[str, bytes] = {}
    sheets = []
    for number, judged in enumerate(preps):
        if progress is not None:
            progress("Drawing the sheets", number, len(preps))
        sheets.append(_sheet(judged, parts, mark=f"{number + 1:03d}", is_only=len(preps) == 1, link=link))
    if progress is not None:
        progress(SETTING, 0, 0)
    names = [sheet["attachment"] for sheet in sheets]
    parts[SHEET_FILE] = sheet_file(kind=CHECK, paper=paper, preps=names, link=link)
    title = sheets[0]["title"] if len(sheets) == 1 else f"Check sheets of {len(sheets)} preps"
    data = {"title": title, "maker": MAKER, "width_mm": width_mm, "height_mm": height_mm, "sheets": sheets}
    return set_paper("sheets.typ", data, parts, dated=max(judged.prep.dated for judged in preps))


def sheet_file(*, kind: str, paper: str, preps: Sequence[str], **how: object) -> bytes:
    """Content of the attachment that says how a paper was made, so that it can be made again and compared."""
    told = {
        "schema": SHEET_SCHEMA,
        "kind": kind,
        "paper": paper,
        "preps": list(preps),
        "made_by": MAKER,
        "made_with": maker_print(),
        **how,
    }
    return json.dumps(told, ensure_ascii=False, indent=1, sort_keys=True).encode()


def prep_code(prep: PrepDocument, link: str) -> str:
    """Text of a prep's QR square: its page's address, or its id and the beginning of its digest."""
    prep_id = str(prep.prep.get("id") or "")
    return f"{link.rstrip('/')}/preps/{prep_id}" if link else f"SHIMWISE PREP {prep_id} {prep.digest[:16]}"


def _sheet(
    judged: JudgedPrep, parts: dict[str, bytes], *, mark: str, is_only: bool, link: str
) -> dict[str, Any]:
    """Say one sheet and draw its pictures into ``parts``."""
    prep, answer = judged.prep, judged.answer
    sheet = check_sheet(prep, answer)

    def keep(name: str, svg: str) -> str:
        parts[f"{mark}-{name}.svg"] = svg.encode()
        return f"{mark}-{name}.svg"

    sheet["qr"] = keep("qr", qr_svg(prep_code(prep, link)))
    rails = rail_pictures(answer, lens_text=lens_texts(prep)) if answer else ()
    sheet["pictures"] = [
        {"file": keep(f"rail-{number}", picture.svg), "alt": picture.alt}
        for number, picture in enumerate(rails)
    ]
    for place, (row, told) in enumerate(zip(prep.rows("sweeps"), sheet["sweeps"], strict=True)):
        told["pictures"] = [
            {"file": keep(f"sweep-{place}-{number}", picture.svg), "alt": picture.alt}
            for number, picture in enumerate(sweep_pictures(sweep_from_json(row["result"]), kept_curves(row)))
        ]
    sheet["attachment"] = "prep.json" if is_only else f"prep-{mark}.json"
    parts[sheet["attachment"]] = canonical_bytes(prep.travelling)
    return sheet
