"""``shimwise sync``: a machine that was away comes home."""

import os
import platform
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from shimwise.bench.exchange import record_admin as bench
from shimwise.bench.exchange.sync import last_home
from shimwise.bench.exchange.sync import sync as run_sync
from shimwise.bench.exchange.sync_home import is_web, opened_home, without_secret
from shimwise.bench.exchange.sync_plan import Keep, Way
from shimwise.bench.exchange.sync_words import sync_lines
from shimwise.cli.acting import acting, name_of
from shimwise.cli.options import argument, flag, option
from shimwise.cli.output import show, wrapped
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import AsJson, Data, Who
from shimwise.errors import RecordError

TOKEN = "SHIMWISE_TOKEN"  # noqa: S105 - the name of the variable
WAITS = 1
MORE = (
    "Open preps, units, histories and settings are taken along; preps, readings, signatures and "
    "adjustments go home. What was changed on both sides is told and never merged: choose with --keep. "
    "It may be broken off at any moment; run again, it goes on.\n\nA served house takes a program's token "
    f"with the role lead, in the variable {TOKEN} or a file. The password of a server is best in "
    "PGPASSFILE.\n\nExit code: 0 done, 1 something waits for you, 2 bad input, 3 what the machine could "
    "not do."
)


def sync(
    home: Annotated[
        str | None,
        argument(
            "HOME",
            "https:// address of the house, its postgresql:// address, or the folder of its record; "
            "without it the home of the last time.",
        ),
    ] = None,
    *,
    is_dry_run: Annotated[bool, flag("--dry-run", "Say what would go which way, and write nothing.")] = False,
    keep: Annotated[
        list[str] | None,
        option(
            "SIDE[:NAME]",
            "Where both sides changed something: here or home stands, for all or for the unit or prep "
            "of that name. May be given several times.",
        ),
    ] = None,
    certificate: Annotated[
        Path | None, option("FILE", "The house's own certificate, PEM; remembered with the address.")
    ] = None,
    token_file: Annotated[Path | None, option("FILE", "A file that holds the token.")] = None,
    machine: Annotated[str | None, option("NAME", "This machine, as home names it.")] = None,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Bring a machine home."""
    chosen = _kept(keep or [])
    named = (machine or platform.node() or "a machine").strip()[:80]
    with bench.opened_or_empty(data, is_dry_run=is_dry_run) as record:
        known, vouching = last_home(record)
        address = home or known
        if certificate is None and vouching and is_web(address) and without_secret(address) == known:
            certificate = Path(vouching)
        if not address:
            raise RecordError(
                "This machine never was at home. Give the address: shimwise sync https://HOST:PORT"
            )
        own = acting(record, who)
        with (
            progress_bar() as progress,
            opened_home(
                address,
                own=record,
                acting=lambda other: acting(other, who),
                name=name_of(own),
                machine=named,
                token=_token(token_file) if is_web(address) else "",
                certificate=certificate,
            ) as side,
        ):
            report = run_sync(
                record,
                side,
                who=own,
                address=without_secret(address),
                machine=named,
                certificate=str(certificate.absolute()) if certificate and is_web(address) else "",
                keep=chosen,
                is_dry_run=is_dry_run,
                progress=progress,
            )
    text = "\n".join(wrapped(line, indent="    ") for line in sync_lines(report))
    show(asdict(report), text, as_json=as_json)
    if report.waiting:
        raise typer.Exit(WAITS)


def _kept(texts: list[str]) -> Keep:
    for_all: Way | None = None
    by_name: dict[str, Way] = {}
    for text in texts:
        side, _, name = text.partition(":")
        if side not in (Way.HERE, Way.HOME):
            raise typer.BadParameter(f"[{text}] begins with neither here nor home.", param_hint="--keep")
        if name.strip():
            by_name[name.strip()] = Way(side)
        else:
            for_all = Way(side)
    return Keep.chosen(for_all, by_name)


def _token(file: Path | None) -> str:
    if file is None:
        return os.environ.get(TOKEN, "").strip()
    try:
        return file.read_text("utf-8").strip()
    except (OSError, ValueError) as error:
        raise RecordError(f"The token cannot be read from {file} ({error}).") from error
