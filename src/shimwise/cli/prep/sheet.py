"""``shimwise sheet``: a prep's papers as PDF: check sheet, lens cards, labels, set table."""

import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Annotated

from shimwise.bench.exchange import record_admin
from shimwise.bench.executors import workers_of
from shimwise.bench.sign import papers as bench
from shimwise.cli.options import AsJson, Workers, argument, flag, option
from shimwise.cli.output import check_free, show
from shimwise.cli.progress import print_waiting, progress_bar
from shimwise.cli.record_options import Data
from shimwise.errors import SheetError

_ADDRESS = re.compile(r"https?://[^/\s]+", re.IGNORECASE)
MORE = "Several preps make one file of check sheets, such as a whole day's."


def sheet(
    preps: Annotated[
        list[str] | None,
        argument("PREP…", "Exported preps (.json), or preps of the record by id or part of a title."),
    ] = None,
    *,
    day: Annotated[str | None, option("YYYY-MM-DD", "All preps begun that day.")] = None,
    data: Data = None,
    out: Annotated[Path, option("FILE.pdf", "Where the PDF goes.")] = Path("sheet.pdf"),
    kind: Annotated[str, option("KIND", "check, lens-card, labels or set-table.")] = bench.CHECK,
    paper: Annotated[str, option("PAPER", "A4 or Letter; lens cards take half of it.")] = "A4",
    unit: Annotated[
        list[str] | None, option("NAME", "Body or lens of cards, labels, tables; repeatable.")
    ] = None,
    sizes: Annotated[Path | None, option("SIZES.toml", "Sizes of labels in mm.", "--labels")] = None,
    units: Annotated[str, option("UNIT", "Of a set table: ft or m.")] = "ft",
    distance: Annotated[
        list[str] | None, option("LENGTH", "Engraved distance of a set table; repeatable.")
    ] = None,
    link: Annotated[str, option("ADDRESS", "The house's pages, for the QR square.")] = "",
    workers: Workers = None,
    is_forced: Annotated[bool, flag("--force", "Write over a file that is there, unasked.")] = False,
    as_json: AsJson = False,
) -> None:
    """Print a prep's papers as PDF."""
    if kind not in bench.KINDS:
        raise SheetError(f"The kind {kind[:40]!r} is not known; give {', '.join(bench.KINDS)}.")
    if out.suffix.lower() != ".pdf":
        raise SheetError(f"{out} is to be a PDF. Let its name end in .pdf.")
    check_free(out, is_forced=is_forced, as_json=as_json)
    if link and not _ADDRESS.match(link):
        raise SheetError(f"--link {link[:60]}: is no address of the web; write it as https://name/.")
    documents = _documents(preps or [], day, data)
    with progress_bar() as progress:
        made = bench.make_paper(
            kind,
            documents,
            names=unit or (),
            paper=paper,
            link=link,
            sizes=sizes,
            units=units,
            distances=distance or (),
            progress=progress,
            workers=workers_of(workers),
            on_wait=print_waiting,
        )
        bench.write_whole(out, made.pdf)
    result = {
        "file": str(out),
        "kind": made.kind,
        "pages": made.pages,
        "preps": [
            {"title": title, "digest": digest}
            for title, digest in zip(made.titles, made.digests, strict=True)
        ],
        "is_signed": made.is_signed,
    }
    show(result, _sentence(made, out), as_json=as_json)


def _documents(words: Sequence[str], day: str | None, data: str | None) -> list[bench.PrepSource]:
    """Return the preps that the words and the day name: files, or preps of the record."""
    if not words and day is None:
        raise SheetError("Name a prep: its exported file, its id or title in the record, or --day.")
    files = {word for word in words if word.endswith(".json") or Path(word).is_file()}
    found: dict[str, bench.PrepSource] = {word: Path(word) for word in files}
    of_day: list[bench.PrepSource] = []
    if files != set(words) or day is not None:
        began = None if day is None else _day(day)
        with record_admin.open_record(data, is_read_only=True) as record:
            for word in set(words) - files:
                found[word] = record_admin.prep_document(record, record_admin.find_prep(record, word))
            if began is not None:
                of_day += bench.documents_of_day(record, began)
    return [*(found[word] for word in words), *of_day]


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SheetError(f"{text[:40]!r} is no day; write it as 2026-02-03.") from None


_WHAT = {
    bench.CHECK: "The sheet of",
    bench.LENS_CARD: "Lens cards from",
    bench.LABELS: "Labels from",
    bench.SET_TABLE: "The set table from",
}


def _sentence(made: bench.MadePaper, out: Path) -> str:
    pages = f"{made.pages} page{'' if made.pages == 1 else 's'}"
    what = made.titles[0] if len(made.titles) == 1 else f"{len(made.titles)} preps"
    verb = "stand" if made.kind in (bench.LENS_CARD, bench.LABELS) else "stands"
    signed = "" if made.is_signed else " Not signed: it says so."
    return f"{_WHAT[made.kind]} {what} {verb} in {out}, {pages}.{signed}"
