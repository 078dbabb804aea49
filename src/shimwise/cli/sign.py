"""``shimwise sign``: sign a prep, so that it stays as it is."""

from typing import Annotated

import typer

from shimwise.bench import keeping
from shimwise.cli.output import show
from shimwise.cli.record_options import AsJson, Data, Who, person
from shimwise.errors import RecordError

__all__ = ["register", "sign"]

_MORE = (
    "Every unit has to be decided, or excepted with a reason. The prep is frozen from then on; shimwise "
    "reopen opens it again.\n\nExit code: 0 signed, 2 refused."
)


def register(parent: typer.Typer, summary: str) -> None:
    """Hang the command ``sign`` into the command line."""
    parent.command("sign", help=f"{summary}\n\n{_MORE}")(sign)


def sign(
    prep: Annotated[str, typer.Argument(metavar="PREP", help="Its id, or part of its title or of a unit.")],
    *,
    exceptions: Annotated[
        list[str] | None,
        typer.Option("--except", metavar="UNIT=REASON", help="Why a unit goes out undecided."),
    ] = None,
    answers_for: Annotated[
        str,
        typer.Option("--answers", metavar="NAME", help="Who answers for the exceptions; else who signs."),
    ] = "",
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Sign a prep."""
    from shimwise.bench import signing
    from shimwise.bench.preps import open_prep

    with keeping.open_record(data) as record:
        prep_id = keeping.find_prep(record, prep)
        view = open_prep(record, prep_id)
        ids = {unit.name.casefold(): unit.id for unit in (*view.bodies, *view.lenses)}
        excepted = {}
        for text in exceptions or ():
            unit, found, reason = text.partition("=")
            if not found:
                raise RecordError(f"[{text}] is no exception. Write it as UNIT=REASON.")
            key = unit.strip().casefold()
            if key not in ids:
                raise RecordError(f"[{unit.strip()}] is no unit of this prep. Check the name.")
            excepted[ids[key]] = signing.Exempt(reason.strip(), answers_for)
        signed = signing.sign(record, prep_id, who=person(who), exceptions=excepted)
    lines = [f"Signed by {signed.signed_by}, {signed.signed_at:%Y-%m-%d %H:%M} UTC: {view.title}."]
    lines += [f"Undecided: {one.unit}: {one.reason} ({one.name})." for one in signed.exceptions]
    lines.append(f"Digest {signed.digest_words}")
    show(
        {
            "prep_id": prep_id,
            "revision": signed.revision,
            "signed_by": signed.signed_by,
            "signed_at": signed.signed_at.isoformat(),
            "digest": signed.digest,
            "exceptions": [
                {"unit": one.unit, "reason": one.reason, "name": one.name} for one in signed.exceptions
            ],
        },
        "\n".join(lines),
        as_json=as_json,
    )
