"""``shimwise sign``: sign a prep, so that it stays as it is."""

from collections.abc import Iterable
from typing import Annotated

import typer

from shimwise.bench.access.acting import permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.exchange import record_admin
from shimwise.bench.prep.preps import open_prep
from shimwise.bench.prep.views import PrepView
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.sign.views import SignOffView
from shimwise.bench.verdict import teaching, verdict
from shimwise.cli.acting import acting
from shimwise.cli.options import flag, option
from shimwise.cli.output import is_asked, show
from shimwise.cli.record_options import AsJson, Data, Prep, Who
from shimwise.errors import RecordError

MORE = (
    "Every unit has to be decided, or excepted with a reason; in a terminal it asks for each, and before it "
    "signs. The prep is frozen from then on; shimwise reopen opens it again.\n\nExit code: 0 signed, "
    "2 refused."
)
REFUSED = 2
ALL = "all"
DASHES = "-−–"


def sign(
    prep: Prep,
    *,
    exceptions: Annotated[
        list[str] | None,
        option("UNIT=REASON", "Why a unit goes out undecided; all=REASON: all that remain.", "--except"),
    ] = None,
    answers_for: Annotated[
        str, option("NAME", "Who answers for the exceptions; else who signs.", "--answers")
    ] = "",
    as_set: Annotated[
        bool, flag("--as-set", "Sign bodies and lenses together, for where each lens lands on each body.")
    ] = False,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Sign a prep."""
    with record_admin.open_record(data, has_to_be=True) as record:
        by = acting(record, who)
        name = permitted(by, Act.SIGN)
        prep_id = record_admin.find_prep(record, prep)
        view = open_prep(record, prep_id)
        excepted, remaining = _excepted(view, exceptions or (), answers_for)
        if is_asked(as_json=as_json) and not (excepted or remaining) and view.state != "signed":
            excepted = _ask(record, view, answers_for or name, as_set=as_set)
            if not typer.confirm(f"Sign {view.title} as {name}?"):
                typer.echo("Nothing is signed.")
                raise typer.Exit(REFUSED)
        signed = signing.sign(
            record, prep_id, who=by, exceptions=excepted, remaining=remaining, as_set=as_set
        )
        _show(prep_id, view, signed, as_json=as_json)
        teaching.learn_after_signature(record)


def _show(prep_id: str, view: PrepView, signed: SignOffView, *, as_json: bool) -> None:
    lines = [f"Signed by {signed.signed_by}, {signed.signed_at:%Y-%m-%d %H:%M} UTC: {view.title}."]
    lines += ["Signed are bodies and lenses together, as a set."] if signed.as_set else []
    lines += [f"Undecided: {one.unit}: {one.reason} ({one.name})." for one in signed.exceptions]
    lines.append(f"Digest {signed.digest_words}")
    excepted_units = [{"unit": one.unit, "reason": one.reason, "name": one.name} for one in signed.exceptions]
    known = {
        name: getattr(signed, name) for name in ("revision", "signed_by", "signed_at", "digest", "as_set")
    }
    result = {"prep_id": prep_id, **known, "exceptions": excepted_units}
    show(result, "\n".join(lines), as_json=as_json)


def _excepted(
    view: PrepView, texts: Iterable[str], answers_for: str
) -> tuple[dict[str, Exempt], Exempt | None]:
    """Return the exceptions by the units' ids, and that of all units that remain, if one is given."""
    ids = {unit.name.casefold(): unit.id for unit in (*view.bodies, *view.lenses)}
    excepted: dict[str, Exempt] = {}
    remaining = None
    for text in texts:
        unit, found, reason = text.partition("=")
        if not found:
            raise RecordError(f"[{text}] is no exception. Write it as UNIT=REASON.")
        key = unit.strip().casefold()
        if key not in ids and key != ALL:
            raise RecordError(f"[{unit.strip()}] is no unit of this prep. Check the name.")
        if not reason.strip():
            raise RecordError(f"[{text}] gives no reason. Write it as UNIT=REASON.")
        exempt = Exempt(reason.strip(), answers_for)
        if key in ids:
            excepted[ids[key]] = exempt
        else:
            remaining = exempt
    return excepted, remaining


def _ask(record: record_admin.Record, view: PrepView, answers_for: str, *, as_set: bool) -> dict[str, Exempt]:
    """Ask of each undecided unit why it goes out; one without an answer is left, and prevents signing.

    The answer and the name given last are proposed for the next unit; a dash leaves it.
    """
    verdict.current_verdict(record, view.id)
    excepted = {}
    last = ""
    for unit in signing.undecided(record, view.id, as_set=as_set):
        typer.echo(unit.words)
        leaving = "-: it does not" if last else "empty: it does not"
        reason = typer.prompt(
            f"Why does it go out all the same? ({leaving})", default=last, show_default=bool(last)
        ).strip()
        if reason and reason not in DASHES:
            answers_for = typer.prompt("Who answers for it?", default=answers_for)
            excepted[unit.unit_id] = Exempt(reason, answers_for)
            last = reason
    return excepted
