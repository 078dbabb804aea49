"""``shimwise sheet``: a prep's papers as PDF: check sheet, lens cards, labels, set table."""

from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench import papers as bench
from shimwise.cli.output import Json, show
from shimwise.cli.progress import progress_bar

__all__ = ["register", "sheet"]

_DAY = "Several preps make one file of check sheets, such as a whole day's."


def register(parent: typer.Typer, summary: str) -> None:
    """Hang the command ``sheet`` into the command line."""
    parent.command("sheet", help=f"{summary}\n\n{_DAY}")(sheet)


def sheet(
    preps: Annotated[list[Path], typer.Argument(metavar="PREP.json…", help="Preps as they were exported.")],
    *,
    out: Annotated[Path, typer.Option("--out", help="Where the PDF goes.")] = Path("sheet.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="A4 or Letter.")] = "A4",
    link: Annotated[
        str, typer.Option("--link", metavar="ADDRESS", help="The house's pages, for the QR square.")
    ] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print a prep's papers as PDF."""
    with progress_bar() as told:
        made = bench.make_sheets(preps, paper=paper, link=link, progress=told)
        bench.write_whole(out, made.pdf)
    result: dict[str, Json] = {
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


def _sentence(made: bench.MadePaper, out: Path) -> str:
    pages = f"{made.pages} page{'' if made.pages == 1 else 's'}"
    what = made.titles[0] if len(made.titles) == 1 else f"{len(made.titles)} preps"
    signed = "" if made.is_signed else " Not signed: it says so on top."
    return f"The sheet of {what} stands in {out}, {pages}.{signed}"
