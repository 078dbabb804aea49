"""``shimwise verify``: whether a sheet, or a prep's file, is what was signed."""

from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench import papers as bench
from shimwise.cli.output import Json, show

__all__ = ["register", "verify"]

NOT_AS_SIGNED = 1
"""Exit code when the sheet was altered, or nobody signed it."""
_EXIT = "Exit code: 0 as it was signed, 1 altered or not signed, 2 not a sheet."
_HEADS = {
    bench.State.AS_SIGNED: "As signed",
    bench.State.ALTERED: "ALTERED",
    bench.State.NOT_SIGNED: "Not signed",
}


def register(parent: typer.Typer, summary: str) -> None:
    """Hang the command ``verify`` into the command line."""
    parent.command("verify", help=f"{summary}\n\n{_EXIT}")(verify)


def verify(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET.pdf|PREP.json", help="A sheet, or an exported prep.")
    ],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Tell whether a sheet, or a prep's file, is what was signed."""
    findings = bench.verify_paper(sheet)
    result: dict[str, Json] = {
        "file": str(sheet),
        "preps": [
            {
                "id": one.prep_id,
                "title": one.title,
                "state": one.state.value,
                "digest": one.digest,
                "signed_by": one.signed_by,
                "signed_at": one.signed_at,
                "words": one.words,
            }
            for one in findings
        ],
    }
    show(result, "\n\n".join(map(_told, findings)), as_json=as_json)
    if any(one.state is not bench.State.AS_SIGNED for one in findings):
        raise typer.Exit(NOT_AS_SIGNED)


def _told(one: bench.Finding) -> str:
    lines = [f"{_HEADS[one.state]}: {one.title}.", *one.words]
    if one.signed_by:
        lines.append(f"Signed by {one.signed_by}, {one.signed_at}.")
    return "\n".join([*lines, f"Digest {one.digest}"])
