"""The other papers of one prep as PDF: lens cards, labels, set tables, each with its prep attached."""

from collections.abc import Sequence
from dataclasses import asdict

from shimwise.errors import SheetError
from shimwise.inference.verdict.answer import Answer, LensAnswer
from shimwise.sheets.charts.drawing import qr_svg
from shimwise.sheets.papers.label_sizes import LabelSizes
from shimwise.sheets.papers.labels import label_rows, unit_code
from shimwise.sheets.papers.lens_card import lens_card
from shimwise.sheets.papers.set_table import FEET, METRES, set_table
from shimwise.sheets.papers.setting import half_mm, paper_mm
from shimwise.sheets.papers.sheet_pdf import PREP_FILE, JudgedPrep, paper_pdf, prep_code
from shimwise.sheets.papers.signed.rows_words import Data, Unit, present
from shimwise.sheets.words.sentences import LIKELY
from shimwise.sheets.words.shared import is_out, listed

LENS_CARD, LABELS, SET_TABLE = "lens-card", "labels", "set-table"


def lens_cards_pdf(
    judged: JudgedPrep, *, paper: str = "A4", link: str = "", names: Sequence[str] = ()
) -> bytes:
    """Print lens cards, one a page of half the paper: of the lenses named, else of those that are out.

    Raises
    ------
    SheetError
        If nothing was judged, no lens is out or none has such a name, or the pages cannot be set.
    """
    prep, answer = judged.prep, _answer(judged)
    lenses = present(answer.lenses)
    chosen = _named(lenses, names) if names else [lens for lens in lenses if _needs_work(lens)]
    if not chosen:
        raise SheetError("No lens of this prep is out; name the lenses whose cards are wanted.")
    size_mm = half_mm(paper)
    parts: dict[str, bytes] = {}
    cards = []
    for lens in chosen:
        code = unit_code("lens", str(prep.named("lenses", lens.name).get("id") or lens.name), link)
        cards.append({**lens_card(prep, answer, lens), "qr": _qr(code, parts)})
    data = {"title": f"Lens cards: {listed([card['name'] for card in cards])}", "cards": cards}
    how = {"kind": LENS_CARD, "paper": paper, "link": link, "names": [lens.name for lens in chosen]}
    return paper_pdf("card.typ", data, parts, {PREP_FILE: prep}, size_mm, **how)


def labels_pdf(
    judged: JudgedPrep, *, sizes: LabelSizes | None = None, link: str = "", names: Sequence[str] = ()
) -> bytes:
    """Print labels of the units named, else of all that were judged, each exactly in its place.

    Raises
    ------
    SheetError
        If nothing was judged or no unit has such a name, or the pages cannot be set.
    """
    sizes = sizes or LabelSizes()
    prep, answer = judged.prep, _answer(judged)
    units = present(_named(answer.units, names))
    parts: dict[str, bytes] = {}
    labels: list[Data] = []
    for place, row in enumerate(label_rows(prep, answer, units, link=link)):
        page, left_mm, top_mm = sizes.corner_mm(place)
        on_page = {"page": page, "left_mm": left_mm, "top_mm": top_mm}
        labels.append({**row, **on_page, "qr": _qr(row["code"], parts)})
    data = {"title": f"Labels: {prep.title}", "labels": labels, "sizes": asdict(sizes)}
    size_mm = (sizes.page_width_mm, sizes.page_height_mm)
    how = {"kind": LABELS, "paper": "", "link": link, "names": list(names), "sizes": asdict(sizes)}
    return paper_pdf("labels.typ", data, parts, {PREP_FILE: prep}, size_mm, **how)


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
        If nothing was judged, no body has such a name, or a distance is none.
    """
    if units not in ("ft", "m"):
        raise SheetError(f"The units {units[:20]!r} are not known; give ft or m.")
    prep, answer = judged.prep, _answer(judged)
    chosen = _named(present(answer.bodies), names)
    distances = tuple(distances) or (METRES if units == "m" else FEET)
    parts: dict[str, bytes] = {}
    qr = _qr(prep_code(prep, link), parts)
    tables = [set_table(prep, answer, body, distances=distances, units=units) for body in chosen]
    data = {"title": f"Set tables: {prep.title}", "tables": tables, "qr": qr}
    how = {"kind": SET_TABLE, "paper": paper, "link": link, "units": units, "distances": distances}
    width_mm, height_mm = paper_mm(paper)
    named = [body.name for body in chosen]
    return paper_pdf("set.typ", data, parts, {PREP_FILE: prep}, (height_mm, width_mm), names=named, **how)


def _qr(code: str, parts: dict[str, bytes]) -> str:
    """Draw a QR square into ``parts``; return the name of its file."""
    name = f"qr-{len(parts)}.svg"
    parts[name] = qr_svg(code).encode()
    return name


def _answer(judged: JudgedPrep) -> Answer:
    if judged.answer is None:
        raise SheetError("This prep holds no verdict: judge it first, then export it anew.")
    return judged.answer


def _needs_work(lens: LensAnswer) -> bool:
    return is_out(lens) or lens.p_scale_out > LIKELY


def _named(units: Sequence[Unit], names: Sequence[str]) -> list[Unit]:
    """Return the units with these names, all when there are none.

    Raises
    ------
    SheetError
        If no unit has one of the names.
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
