"""A list of sweeps as a page: a row each, with best focus, tilt and flags."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime

from shimwise.sheets.papers.setting import MAKER, PAPERS_MM, set_paper
from shimwise.sheets.words.shared import counted
from shimwise.sheets.words.sweeps_words import NOT_MEASURED, REFUSED, SweepsRow


def sweeps_pdf(rows: Sequence[SweepsRow], *, dated: datetime) -> bytes:
    """Print a list of sweeps, on paper that lies.

    Raises
    ------
    SheetError
        If the paper is not known, or the pages cannot be set.
    """
    high_mm, wide_mm = PAPERS_MM["A4"]
    open_count = sum(row.best in (NOT_MEASURED, REFUSED) for row in rows)
    data = {
        "title": f"{counted(len(rows), 'sweep')}",
        "summary": f"{len(rows) - open_count:,} measured, {open_count:,} without a number.",
        "day": f"{dated.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        "maker": MAKER,
        "rows": [{**asdict(row), "is_open": row.best in (NOT_MEASURED, REFUSED)} for row in rows],
        "width_mm": wide_mm,
        "height_mm": high_mm,
    }
    return set_paper("sweeps.typ", data, {}, dated=dated)
