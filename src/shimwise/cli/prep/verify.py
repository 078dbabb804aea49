"""``shimwise verify``: whether a sheet, or a prep's file, is what was signed."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.errors import RecordAway
from shimwise.bench.exchange import record_admin
from shimwise.bench.sign import papers as bench
from shimwise.bench.sign.signed import recorded
from shimwise.cli.options import AsJson, argument, option
from shimwise.cli.output import show
from shimwise.cli.record_options import Data
from shimwise.errors import RecordError

NOT_AS_SIGNED = 1
"""Exit code when the sheet is not what counts: altered, older, unknown or not signed."""
MORE = (
    "It is compared with the house's record where there is one; the file alone tells only whether it agrees "
    "with itself. Its pages have to be those that a house known here signed.\n\nExit code: 0 as it was "
    "signed, 1 altered, its page altered or not compared, not sealed, of an older revision, unknown to the "
    "house or not signed, 2 not a sheet."
)
_HEADS = {
    bench.State.AS_SIGNED: "As signed",
    bench.State.ALTERED: "ALTERED",
    bench.State.PAGE_ALTERED: "PAGE ALTERED",
    bench.State.PAGE_NOT_SIGNED: "Page not signed",
    bench.State.NOT_SEALED: "Not sealed",
    bench.State.OTHER_HOUSE: "Another house",
    bench.State.OLDER: "Older",
    bench.State.UNKNOWN: "Unknown",
    bench.State.NOT_SIGNED: "Not signed",
}
_SHOWN = ("title", "state", "standing", "sentence", "digest", "signed_by", "signed_at", "words", "differing")
"""Fields of a finding in JSON."""
ALONE = "Only the file was looked at: {}."


def verify(
    sheet: Annotated[Path, argument("SHEET.pdf|PREP.json", "A sheet, or an exported prep.")],
    *,
    data: Data = None,
    key: Annotated[
        list[Path] | None, option("KEY.pem", "Public key of a house to trust here; repeatable.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check whether a sheet, or a prep's file, is what was signed."""
    findings, alone = _compared(sheet, data, key or [])
    result = {
        "file": str(sheet),
        "is_compared": not alone,
        "preps": [_plain(one) for one in findings],
    }
    parts = [*map(_text, findings), *([alone] if alone else [])]
    show(result, "\n\n".join(parts), as_json=as_json)
    if any(one.standing is not bench.State.AS_SIGNED for one in findings):
        raise typer.Exit(NOT_AS_SIGNED)


def _compared(sheet: Path, data: str | None, keys: Sequence[Path]) -> tuple[tuple[bench.Finding, ...], str]:
    """Check the file, also against the record if there is one; else return why not."""
    try:
        record = record_admin.open_record(data, is_read_only=True)
    except RecordError as error:
        if data is not None:
            raise
        is_away = isinstance(error, RecordAway)
        why = "there is no record here; --data names one" if is_away else error.in_full.rstrip(".")
        return bench.verify_paper(sheet, keys=keys), ALONE.format(why)
    with record:
        return bench.verify_paper(sheet, recorded=recorded(record), keys=keys), ""


def _plain(one: bench.Finding) -> dict[str, object]:
    return {"id": one.prep_id} | {name: getattr(one, name) for name in _SHOWN}


def _text(one: bench.Finding) -> str:
    lines = [f"{_HEADS[one.standing]}: {one.title}.", *one.words, *(f"  {words}" for words in one.differing)]
    if one.signed_by and one.standing is not bench.State.ALTERED:
        lines.append(f"Signed by {one.signed_by}, {one.signed_at}.")
    return "\n".join([*lines, f"Digest {one.digest}"])
