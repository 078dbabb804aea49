"""Makes the other papers of one prep as PDF: lens cards, labels, set tables, each with its prep attached."""

from collections.abc import Sequence
from typing import Any, TypeVar

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer, BodyAnswer, LensAnswer
from shimwise.sheets.papers.label_sizes import LabelSizes
from shimwise.sheets.papers.labels import label_rows, unit_code
from shimwise.sheets.papers.lens_card import lens_card
from shimwise.sheets.papers.maker import MAKER
from shimwise.sheets.papers.pictures import qr_svg
from shimwise.sheets.papers.set_table import FEET, METRES, set_table
from shimwise.sheets.papers.setting import set_paper
from shimwise.sheets.papers.sheet_pdf import SHEET_FILE, JudgedPrep, prep_code, sheet_file
from shimwise.sheets.papers.signed.canonical_json import canonical_bytes
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import present_name
from shimwise.sheets.papers.sizes import half_mm, paper_mm
from shimwise.sheets.words.sentences import LIKELY
from shimwise.sheets.words.shared import is_out, listed

LENS_CARD, LABELS, SET_TABLE = "lens-card", "labels", "set-table"
Data = dict[str, Any]
_Unit = TypeVar("_Unit", bound=BodyAnswer)


def lens_cards_pdf(
    judged: JudgedPrep, *, paper: str = "A4", link: str = "", names: Sequence[str] = ()
) -> bytes:
    """Print lens cards, one a page of half the paper: of the lenses named, else of those that are out.

    Raises
    ------
    SheetError
        When nothing was judged, no lens is out or none has such a name, or the pages cannot be set.
    """
    prep, answer = judged.prep, _answer(judged)
    lenses = [lens for lens in answer.lenses if present_name(lens.name) == lens.name]
    chosen = _named(lenses, names) if names else [lens for lens in lenses if _goes_out(lens)]
    if not chosen:
        raise SheetError("No lens of this prep is out; name the lenses whose cards are wanted.")
    width_mm, height_mm = half_mm(paper)
    parts: dict[str, bytes] = {}
    cards = []
    for number, lens in enumerate(chosen):
        row = next((row for row in prep.rows("lenses") if str(row["name"]) == lens.name), {})
        code = unit_code("lens", str(row.get("id") or lens.name), link)
        parts[f"qr-{number}.svg"] = qr_svg(code).encode()
        cards.append({**lens_card(prep, answer, lens), "qr": f"qr-{number}.svg"})
    how = {"kind": LENS_CARD, "paper": paper, "link": link, "names": [lens.name for lens in chosen]}
    data = {"title": f"Lens cards: {listed([card['name'] for card in cards])}", "cards": cards}
    return _set("card.typ", data, parts, prep, how, size_mm=(width_mm, height_mm))


def labels_pdf(
    judged: JudgedPrep, *, sizes: LabelSizes | None = None, link: str = "", names: Sequence[str] = ()
) -> bytes:
    """Print labels of the units named, else of all that were judged, each exactly in its place.

    Raises
    ------
    SheetError
        When nothing was judged or no unit has such a name, or the pages cannot be set.
    """
    sizes = sizes or LabelSizes()
    prep, answer = judged.prep, _answer(judged)
    chosen = _named([*answer.bodies, *answer.lenses], names)
    rows = label_rows(prep, answer, link=link, names=[unit.name for unit in chosen])
    parts: dict[str, bytes] = {}
    pages: list[list[Data]] = []
    for place, row in enumerate(rows):
        page, left_mm, top_mm = sizes.corner_mm(place)
        parts[f"qr-{place}.svg"] = qr_svg(row.pop("code")).encode()
        while len(pages) <= page:
            pages.append([])
        pages[page].append({**row, "qr": f"qr-{place}.svg", "left_mm": left_mm, "top_mm": top_mm})
    data = {
        "title": f"Labels: {prep.title}",
        "pages": pages,
        "label_width_mm": sizes.width_mm,
        "label_height_mm": sizes.height_mm,
        "has_border": sizes.has_border,
    }
    how = {
        "kind": LABELS,
        "paper": "",
        "link": link,
        "names": list(names),
        "sizes": {name: getattr(sizes, name) for name in sizes.__dataclass_fields__},
    }
    return _set("labels.typ", data, parts, prep, how, size_mm=(sizes.page_width_mm, sizes.page_height_mm))


def set_tables_pdf(
    judged: JudgedPrep,
    *,
    paper: str = "A4",
    link: str = "",
    names: Sequence[str] = (),
    units: str = "ft",
    distances: Sequence[str] = (),
) -> bytes:
    """Print set tables of the bodies named, else of all: a page each, lying.

    Parameters
    ----------
    judged : JudgedPrep
        The prep.
    paper, link : str
        As for the check sheet.
    names : sequence of str
        Bodies; all when empty.
    units : str
        ``ft`` or ``m``.
    distances : sequence of str
        Engraved distances; usual ones of those units when empty.

    Raises
    ------
    SheetError, LengthError
        When nothing was judged, no body has such a name, or a distance is none.
    """
    if units not in ("ft", "m"):
        raise SheetError(f"The units {units[:20]!r} are not known; give ft or m.")
    prep, answer = judged.prep, _answer(judged)
    bodies = [body for body in answer.bodies if present_name(body.name) == body.name]
    chosen = _named(bodies, names)
    told = tuple(distances) or (METRES if units == "m" else FEET)
    tables = [
        {**set_table(prep, answer, body, distances=told, units=units), "qr": "qr.svg"} for body in chosen
    ]
    width_mm, height_mm = paper_mm(paper)
    how = {
        "kind": SET_TABLE,
        "paper": paper,
        "link": link,
        "names": [body.name for body in chosen],
        "units": units,
        "distances": list(told),
    }
    data = {"title": f"Set tables: {prep.title}", "tables": tables}
    parts = {"qr.svg": qr_svg(prep_code(prep, link)).encode()}
    return _set("set.typ", data, parts, prep, how, size_mm=(height_mm, width_mm))


def _set(
    template: str,
    data: Data,
    parts: dict[str, bytes],
    prep: PrepDocument,
    how: Data,
    *,
    size_mm: tuple[float, float],
) -> bytes:
    """Attach the prep and how the paper was made, and set it."""
    parts["prep.json"] = canonical_bytes(prep.travelling)
    parts[SHEET_FILE] = sheet_file(preps=["prep.json"], **how)
    told = {**data, "maker": MAKER, "width_mm": size_mm[0], "height_mm": size_mm[1]}
    return set_paper(template, told, parts, dated=prep.dated)


def _answer(judged: JudgedPrep) -> Answer:
    if judged.answer is None:
        raise SheetError("This prep holds no verdict: judge it first, then export it anew.")
    return judged.answer


def _goes_out(lens: LensAnswer) -> bool:
    return is_out(lens) or lens.p_scale_out > LIKELY


def _named(units: Sequence[_Unit], names: Sequence[str]) -> list[_Unit]:
    """Give the units with these names, all when there are none.

    Raises
    ------
    SheetError
        When a name is none of theirs.
    """
    known = {unit.name.casefold() for unit in units}
    strange = [name for name in names if name.casefold() not in known]
    if strange:
        raise SheetError(
            f"{listed([repr(name[:40]) for name in strange])} was not judged in this prep; "
            f"there are {listed([unit.name for unit in units], most=12)}."
        )
    wanted = {name.casefold() for name in names} or known
    return [unit for unit in units if unit.name.casefold() in wanted]
