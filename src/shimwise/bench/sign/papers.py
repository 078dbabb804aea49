"""Papers of a prep: check sheets, lens cards, labels, set tables; and whether one is what was signed.

All of it starts from the prep document, ``shimwise.prep/1``, as the record exports it: so a sheet can be
made, and checked, where the record is not.
"""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimwise.bench.desk.inputs import Progress
from shimwise.bench.executors import OnWait, mapped
from shimwise.bench.output_files import write_whole
from shimwise.bench.sign.signed import as_exported, as_signed
from shimwise.errors import SheetError
from shimwise.house_keys import house_key, known_keys
from shimwise.sheets.papers.label_sizes import LabelSizes, label_sizes
from shimwise.sheets.papers.signed.canonical_json import digest_of, signature_of
from shimwise.sheets.papers.signed.findings import Finding, Recorded, State, find_in_prep

if TYPE_CHECKING:
    from shimwise.record.record import Record
    from shimwise.sheets.papers.sheet_pdf import Drawing, JudgedPrep
    from shimwise.sheets.papers.signed.prep_document import PrepDocument

__all__ = ["Finding", "LabelSizes", "State", "digest_of", "signature_of", "write_whole"]
"""What else the doors take from here."""

CHECK, LENS_CARD, LABELS, SET_TABLE = "check", "lens-card", "labels", "set-table"
KINDS = (CHECK, LENS_CARD, LABELS, SET_TABLE)
"""What is printed of a prep."""
LONGEST_TITLE = 60
"""Letters of a title in a file's name."""
FEWEST_FOR_WORKERS = 8
"""Fewer sheets are drawn sooner than processes are started; measured."""
DAY_PAGE, LARGEST_DAY = 200, 500
"""Preps read at a time, and sheets in one file at most."""
PrepSource = Mapping[str, Any] | Path
"""A prep document, or the file that holds one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePaper:
    """A paper: its kind, the PDF, how many pages it has, and title and digest of each prep on it.

    ``name``: the preps and the paper's date, as a part of a file's name.
    """

    kind: str
    pdf: bytes
    pages: int
    titles: tuple[str, ...]
    digests: tuple[str, ...]
    is_signed: bool
    name: str


def make_paper(
    kind: str,
    preps: Sequence[PrepSource],
    *,
    names: Sequence[str] = (),
    paper: str = "A4",
    link: str = "",
    sizes: LabelSizes | Path | None = None,
    units: str = "ft",
    distances: Sequence[str] = (),
    progress: Progress | None = None,
    workers: str | None = None,
    on_wait: OnWait | None = None,
) -> MadePaper:
    """Print one of :data:`KINDS` of a prep, or the check sheets of several, as a whole day's, to one PDF.

    Parameters
    ----------
    preps : sequence of mapping or Path
        Prep documents, or files that hold one.
    names : sequence of str
        Lenses whose cards are wanted (else of those that are out), units to label (else all that were
        judged), or bodies whose set tables are (else all).
    paper : str
        ``A4`` or ``Letter``; lens cards are half of it, set tables lie, labels have sizes of their own.
    link : str
        Address of the house's pages for the QR squares; without it they hold the id of prep or unit.
    sizes : LabelSizes or Path, optional
        Sizes of labels in mm, or their file, as :func:`read_label_sizes` reads it.
    units, distances
        Of set tables: ``ft`` or ``m``, and the engraved distances as typed, else the usual ones.
    progress : callable, optional
        Called from time to time.
    workers : str, optional
        Who draws many check sheets (:func:`shimwise.bench.executors.workers_of`); None: this process.
    on_wait : callable, optional
        As for :func:`shimwise.bench.executors.each_done`.

    Raises
    ------
    SheetError
        When the kind is not known, or not one of several preps; a file is no prep, the prep has no verdict
        where that is needed, a name or the paper is not known, or the pages cannot be set.
    LengthError
        When a distance is no length.
    ClusterError
        When the workers cannot be asked.
    """
    if kind != CHECK and len(preps) != 1:
        raise SheetError(f"{kind} is made of one prep at a time, not of {len(preps)}.")
    if not 0 < len(preps) <= LARGEST_DAY:
        raise SheetError(f"{len(preps)} preps make no file of sheets; give 1 to {LARGEST_DAY}.")
    label_sizes = sizes if kind == LABELS else None
    if isinstance(label_sizes, Path):
        label_sizes = read_label_sizes(label_sizes)
    judged = [_judged(prep) for prep in preps]
    is_here = workers is None or len(judged) < FEWEST_FOR_WORKERS
    pdf = _pages(
        kind,
        judged,
        paper=paper,
        link=link,
        names=names,
        sizes=label_sizes,
        units=units,
        distances=distances,
        progress=progress,
        drawing=map if is_here else partial(mapped, workers=workers or "", on_wait=on_wait),
    )
    return _made(kind, pdf, [one.prep for one in judged])


def _pages(
    kind: str,
    judged: "Sequence[JudgedPrep]",
    *,
    paper: str,
    link: str,
    names: Sequence[str],
    sizes: LabelSizes | None,
    units: str,
    distances: Sequence[str],
    progress: Progress | None = None,
    drawing: "Drawing" = map,
) -> bytes:
    """Set the pages of a paper, not yet signed."""
    from shimwise.sheets.papers import more_pdf
    from shimwise.sheets.papers.sheet_pdf import check_sheets_pdf

    if kind == CHECK:
        return check_sheets_pdf(judged, paper=paper, link=link, progress=progress, drawing=drawing)
    if kind == LENS_CARD:
        return more_pdf.lens_cards_pdf(judged[0], paper=paper, link=link, names=names)
    if kind == LABELS:
        return more_pdf.labels_pdf(judged[0], sizes=sizes, link=link, names=names)
    if kind == SET_TABLE:
        return more_pdf.set_tables_pdf(
            judged[0], paper=paper, link=link, names=names, units=units, distances=distances
        )
    raise SheetError(f"The paper is of a kind {kind[:40]!r} that this version does not know.")


def read_label_sizes(path: Path) -> LabelSizes:
    """Read the sizes of labels from a settings file (TOML).

    Raises
    ------
    SheetError
        When it cannot be read, or a size cannot be.
    """
    return label_sizes(_content(path))


def documents_of_day(record: "Record", day: date) -> list[dict[str, Any]]:
    """Return the documents of the preps that were begun on a day, the earliest first.

    Parameters
    ----------
    record : Record
        The record.
    day : date
        The day by this machine's clock.

    Raises
    ------
    SheetError
        When no prep was begun that day, or more than go into one file.
    """
    from shimwise.record.exchange.prep_json import export_prep
    from shimwise.record.queries.preps import prep_lines

    found: list[str] = []
    with record.reading() as connection:
        before = None
        while lines := prep_lines(connection, limit=DAY_PAGE, before=before):
            days = [line.started_at.astimezone().date() for line in lines]
            found += [line.id for line, began in zip(lines, days, strict=True) if began == day]
            if days[-1] < day or len(found) > LARGEST_DAY:
                break
            before = lines[-1].id
        if not found:
            raise SheetError(f"No prep was begun on {day:%Y-%m-%d}. Give another day, or name the preps.")
        if len(found) > LARGEST_DAY:
            raise SheetError(f"More than {LARGEST_DAY} preps were begun on {day:%Y-%m-%d}. Name the preps.")
        return [as_exported(export_prep(connection, prep_id)) for prep_id in reversed(found)]


def verify_paper(
    source: bytes | Path, *, recorded: Recorded | None = None, keys: Sequence[Path] = ()
) -> tuple[Finding, ...]:
    """Check for each prep in a sheet or a prep's file whether it is what was signed.

    Parameters
    ----------
    source : bytes or Path
        A PDF that :func:`make_paper` made, or a prep document as JSON.
    recorded : callable, optional
        What the record keeps (:func:`.signed.recorded`); without it the file alone is checked.
    keys : sequence of Path
        Files with public keys of houses that are trusted for this once, beside those that are known here.

    Raises
    ------
    SheetError
        When it is neither, or cannot be read.
    HouseKeyError
        When a key cannot be read.
    """
    from shimwise.sheets.papers.signed.prep_document import read_prep
    from shimwise.sheets.papers.signed.verify import find_in_pdf, read_json

    name = source.name if isinstance(source, Path) else "The file"
    data = _content(source) if isinstance(source, Path) else source
    if data.lstrip()[:1] == b"{" or data.startswith(b"\xef\xbb\xbf"):
        prep = read_prep(read_json(data, name=name))
        return (find_in_prep(prep, known=known_keys(keys), recorded=recorded),)
    return find_in_pdf(data, remade=_remade, known=known_keys(keys), recorded=recorded)


def read_prep_file(path: Path) -> dict[str, Any]:
    """Read a prep document from its file.

    Raises
    ------
    SheetError
        When it cannot be read or is no prep.
    """
    from shimwise.sheets.papers.signed.prep_document import read_prep
    from shimwise.sheets.papers.signed.verify import read_json

    document = read_json(_content(path), name=path.name)
    read_prep(document)
    found: dict[str, Any] = document
    return found


def _content(path: Path) -> bytes:
    from shimwise.sheets.papers.signed.verify import LARGEST_BYTES

    try:
        with path.open("rb") as stream:
            return stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise SheetError(f"{path} cannot be read ({error.strerror or error}). Check the name.") from error


def _judged(source: PrepSource) -> "JudgedPrep":
    from shimwise.sheets.papers.signed.prep_document import read_prep

    return _with_answer(read_prep(as_signed(read_prep_file(source) if isinstance(source, Path) else source)))


def _with_answer(prep: "PrepDocument") -> "JudgedPrep":
    from shimwise.sheets.json.verdict_json import answer_from_json
    from shimwise.sheets.papers.sheet_pdf import JudgedPrep

    return JudgedPrep(prep=prep, answer=None if prep.verdict is None else answer_from_json(prep.verdict))


def _made(kind: str, pages: bytes, preps: "Sequence[PrepDocument]") -> MadePaper:
    """Return a paper with its pages signed by this house."""
    import io

    import pypdf

    from shimwise.sheets.papers.signed.page_signature import sign_pages

    dated = max(prep.dated for prep in preps)
    return MadePaper(
        kind=kind,
        pdf=sign_pages(pages, key=house_key(), at=dated),
        pages=len(pypdf.PdfReader(io.BytesIO(pages)).pages),
        titles=tuple(prep.title for prep in preps),
        digests=tuple(prep.digest for prep in preps),
        is_signed=all(prep.is_signed for prep in preps),
        name=_file_part(preps),
    )


def _file_part(preps: "Sequence[PrepDocument]") -> str:
    """Return title and date of a prep, of several their number, in letters that every system takes."""
    title = preps[0].title if len(preps) == 1 else f"{len(preps)} preps"
    letters = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode()
    safe = "-".join(re.findall(r"[A-Za-z0-9]+", letters))[:LONGEST_TITLE].strip("-")
    return "-".join(filter(None, (safe, f"{max(prep.dated for prep in preps):%Y-%m-%d}")))


def _remade(made: Mapping[str, Any], preps: "tuple[PrepDocument, ...]") -> bytes:
    """Make a paper again by its own description."""
    paper, link, kind = (str(made.get(key) or "") for key in ("paper", "link", "kind"))
    try:
        return _pages(
            kind,
            [_with_answer(prep) for prep in preps],
            paper=paper,
            link=link,
            names=[str(name) for name in made.get("names") or ()],
            sizes=LabelSizes(**made["sizes"]) if kind == LABELS else None,
            units=str(made.get("units")),
            distances=[str(one) for one in made.get("distances") or ()],
        )
    except (TypeError, KeyError) as error:
        raise SheetError(
            f"How this paper was made is not fully known ({error}); it cannot be compared."
        ) from error
