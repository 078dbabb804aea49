"""What many sweeps are written as: a table for programs (CSV, JSON lines), and a page for people."""

import csv
import io
import json
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from shimwise.bench.output_files import write_whole
from shimwise.bench.sweep.many import SweptFolder
from shimwise.errors import SheetError
from shimwise.files.names import to_spreadsheet
from shimwise.sheets.words.sweeps_words import COLUMNS, sweeps_line, sweeps_record, sweeps_row

FLAGS_BETWEEN = " | "
MOST_WIDE = 40
"""Columns of the terminal that the names of folders take at most."""


def records_of(found: Sequence[SweptFolder]) -> list[dict[str, Any]]:
    """Return a flat row for each sweep."""
    return [sweeps_record(one.folder, one.document, one.problem) for one in found]


def lines_of(found: Sequence[SweptFolder]) -> list[str]:
    """Return a line of the terminal for each sweep."""
    rows = [sweeps_row(one.folder, one.sweep, one.problem) for one in found]
    width = min(MOST_WIDE, max(len(row.folder) for row in rows))
    return [sweeps_line(row, width) for row in rows]


def check_table_path(path: Path) -> None:
    """Raise SheetError if a table's name ends in nothing that is known."""
    if path.suffix.casefold() not in (".csv", ".jsonl"):
        raise SheetError(f"{path} is no name for a table. Let it end in .csv or .jsonl.")


def check_page_path(path: Path) -> None:
    """Raise SheetError if a page's name does not end in .pdf."""
    if path.suffix.casefold() != ".pdf":
        raise SheetError(f"{path} is to be a PDF. Let its name end in .pdf.")


def write_table(found: Sequence[SweptFolder], path: Path) -> None:
    """Write the table, as its name ends.

    Raises
    ------
    SheetError
        If it cannot be written there.
    """
    rows = records_of(found)
    if path.suffix.casefold() == ".jsonl":
        write_whole(path, "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in rows))
        return
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS)
    writer.writeheader()
    for row in rows:
        row["flags"] = FLAGS_BETWEEN.join(row["flags"])
        writer.writerow({key: to_spreadsheet(v) if isinstance(v, str) else v for key, v in row.items()})
    write_whole(path, text.getvalue())


def write_page(found: Sequence[SweptFolder], path: Path, *, at: datetime) -> None:
    """Write the page as PDF.

    Raises
    ------
    SheetError
        If it cannot be set, or written there.
    """
    from shimwise.sheets.papers.sweeps_pdf import sweeps_pdf

    rows = [sweeps_row(one.folder, one.sweep, one.problem) for one in found]
    write_whole(path, sweeps_pdf(rows, dated=at))
