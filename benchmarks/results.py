"""The kept table of results: one section a benchmark, replaced when that benchmark is run."""

import os
import re
from datetime import date
from pathlib import Path

RESULTS = Path(__file__).parent / "RESULTS.md"


def write_section(title: str, seed: str, lines: list[str]) -> None:
    """Replace a section of RESULTS.md, with date, cores and seeds; print it too."""
    stamp = f"{date.today().isoformat()} · {os.cpu_count()} cores · seeds {seed}"
    section = "\n".join([f"## {title}", "", stamp, "", *lines, ""])
    print(section)
    kept = (
        RESULTS.read_text(encoding="utf-8") if RESULTS.exists() else "# What the benchmarks measured last\n"
    )
    pattern = re.compile(rf"^## {re.escape(title)}\n.*?(?=^## |\Z)", re.MULTILINE | re.DOTALL)
    if pattern.search(kept):
        kept = pattern.sub(lambda _: section + "\n", kept)
    else:
        kept = f"{kept.rstrip()}\n\n{section}\n"
    RESULTS.write_text(kept.rstrip() + "\n", encoding="utf-8")
