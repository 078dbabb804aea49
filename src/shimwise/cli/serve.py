"""``shimwise serve``: the pages, on this machine or for the devices of the house."""

import gc
import os
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import closing, nullcontext
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from shimwise.bench.access.pairing import CODE_MINUTES, has_passphrase, set_passphrase
from shimwise.bench.exchange.record_admin import Record, open_record
from shimwise.bench.executors import workers_of
from shimwise.cli.leaving import silence
from shimwise.cli.options import Workers, flag, option
from shimwise.cli.progress import progress_bar
from shimwise.cli.record_options import Storage
from shimwise.house_keys import keys_kept_in

if TYPE_CHECKING:
    from shimwise.web.serve import Pages, ServeOptions

PASSPHRASE = "SHIMWISE_PASSPHRASE"  # noqa: S105  # the name of the variable
STARTING_S = 20.0
DEMO_KEYS = "demo-keys"
NOT_STARTED = 3
"""Exit code when the machine did not let the server start."""


class Log(StrEnum):
    """What the log holds."""

    WARNINGS = "warnings"
    REQUESTS = "requests"


def serve(
    *,
    data: Annotated[
        str | None,
        option(
            "FOLDER|URL",
            "Where the record is: a folder, or postgresql://…, which several servers may share; your "
            "own data folder without it.",
        ),
    ] = None,
    host: Annotated[
        str,
        option(
            "ADDRESS",
            "Address to listen on; 0.0.0.0 for every device of the house, which asks for a passphrase.",
        ),
    ] = "127.0.0.1",
    port: Annotated[int, option("N", "Port; 0 takes any that is free.", min=0, max=65535)] = 8052,
    name: Annotated[
        list[str] | None,
        option(
            "NAME",
            "A further name that the pages answer to, as behind a proxy; may be repeated. One that "
            "is not of this machine asks for a passphrase, as --host does.",
        ),
    ] = None,
    behind: Annotated[
        list[str] | None,
        option(
            "ADDRESS",
            "Address or network of a proxy that is believed what it says of a request: who sent it, and "
            "whether by https; may be repeated. Asks for a passphrase, as --host does.",
        ),
    ] = None,
    certificate: Annotated[
        Path | None,
        option("FILE.pem", "Certificate (PEM) for https, with --key.", exists=True, dir_okay=False),
    ] = None,
    key: Annotated[Path | None, option("FILE.pem", "Its key (PEM).", exists=True, dir_okay=False)] = None,
    passphrase_file: Annotated[
        Path | None,
        option("FILE", f"File that holds the house's passphrase, to set it; or the variable {PASSPHRASE}."),
    ] = None,
    log: Annotated[
        Log,
        option(
            "WARNINGS|REQUESTS",
            "What is written to the terminal: warnings alone, or each request too.",
            case_sensitive=False,
        ),
    ] = Log.WARNINGS,
    workers: Workers = None,
    storage: Storage = None,
    demo: Annotated[bool, flag("--demo", "Serve the invented bench, from a record of its own.")] = False,
    is_ended: Annotated[
        bool, flag("--end-without-terminal", "Say the address and end, where nobody could press Ctrl-C.")
    ] = False,
    open_: Annotated[bool, flag("--open", "Open the pages in the browser.")] = False,
) -> None:
    """Serve the pages until Ctrl-C, and print their address."""
    from shimwise.web.serve import ServeError, ServeOptions

    if (certificate is None) is not (key is None):
        raise ServeError("A certificate needs its key, and the key its certificate. Give both, or neither.")
    options = ServeOptions(
        host=host,
        port=_free_port(host, port) if demo else port,
        names=tuple(name or ()),
        certificate=certificate,
        key=key,
        behind=tuple(behind or ()),
        has_request_log=log is Log.REQUESTS,
        workers=workers_of(workers),
    )
    with closing(_demo_record(data) if demo else open_record(data, storage=storage)) as record:
        record.refuse_damage()
        if options.is_beyond:
            _need_passphrase(record, passphrase_file)
        hints = NEXT if demo else ()
        # What is tried on invented data is never signed with the house's own key.
        with keys_kept_in(record.folder / DEMO_KEYS) if demo else nullcontext():
            _serve(
                record, options, hints=hints, is_ended=is_ended and not sys.stdout.isatty(), is_opened=open_
            )


NEXT = (
    "Next: open it there, and the prep Invented bench: A-07 and A-12 with set H.",
    "By commands, to a signed sheet: docs/guide/eye.md. A record of your own: shimwise serve",
)
"""What to do with the pages of the demonstration."""


def _serve(
    record: Record, options: "ServeOptions", *, hints: Sequence[str], is_ended: bool, is_opened: bool
) -> None:
    from shimwise.web.serve import Pages

    pages = Pages(record, options)
    failed: list[OSError] = []

    def announce() -> None:
        try:
            _print_when_ready(pages, hints, is_ended=is_ended, is_opened=is_opened)
        except OSError as error:  # nobody would know the address
            silence(sys.stdout)
            failed.append(error)
            pages.stop()

    threading.Thread(target=announce, daemon=True).start()
    gc.freeze()  # all that is imported stays: looked through for garbage, it holds up a save for .2 s
    pages.run()
    if failed:
        raise failed[0]
    if not pages.server.started:
        raise typer.Exit(NOT_STARTED)


def _print_when_ready(pages: "Pages", hints: Sequence[str], *, is_ended: bool, is_opened: bool) -> None:
    """Print the address once the pages answer there."""
    until = time.monotonic() + STARTING_S
    while not pages.server.started and time.monotonic() < until:
        time.sleep(0.02)
    if not pages.server.started:
        pages.stop()
        return
    typer.echo(f"The pages are at {pages.address}")
    if is_ended:
        typer.echo("There is no terminal here, so this ends now; started in one, it serves until Ctrl-C.")
        typer.echo("\n".join(hints[1:]))
        pages.stop()
        return
    typer.echo("".join(f"{line}\n" for line in hints), nl=False)
    if pages.options.is_beyond:
        _show_pairing(pages)
    typer.echo("Ctrl-C ends it.")
    if is_opened:
        import webbrowser

        webbrowser.open(pages.pairing_address() if pages.options.is_beyond else pages.address)


def _show_pairing(pages: "Pages") -> None:
    import segno

    address = pages.pairing_address()
    typer.echo(f"Scan to pair one device within {CODE_MINUTES} minutes, or type the passphrase there:")
    if sys.stdout.isatty():
        segno.make(address, error="l").terminal(compact=True)
    typer.echo(f" {address}")
    if pages.options.scheme == "http" and not pages.options.behind:
        typer.echo(
            "Without a certificate, others on the same network could listen. Serve it on the house's own "
            "network only, or give --certificate and --key."
        )


def _demo_record(data: str | None) -> Record:
    """Open the record of the demonstration, and fill it where it is fresh."""
    from shimwise.bench.demo.demo import PAGES, demo_folder
    from shimwise.bench.demo.demo_record import fill_demo, is_empty

    record = open_record(data or str(demo_folder() / PAGES))
    try:
        if is_empty(record):
            with progress_bar() as progress:
                fill_demo(record, progress=progress)
    except BaseException:
        record.close()
        raise
    return record


def _free_port(host: str, port: int) -> int:
    """Return the port, or 0 (any) where it is in use: the demonstration is shown all the same."""
    import socket

    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        with socket.create_server((host, port), family=family):
            return port
    except OSError:
        return 0


def _need_passphrase(record: Record, file: Path | None) -> None:
    """Set the passphrase of the house, which it must have before others can reach the pages."""
    from shimwise.web.serve import ServeError

    given = _given_passphrase(file)
    if given is None and not has_passphrase(record):
        if not sys.stdin.isatty():
            raise ServeError(
                "Beyond this machine the pages ask for a passphrase, and the house has none yet. Put one "
                f"into the variable {PASSPHRASE} or a file (--passphrase-file), or start this in a terminal."
            )
        typer.echo("Other devices will reach the pages. Set the passphrase that they are paired with.")
        given = typer.prompt("Passphrase of the house", hide_input=True, confirmation_prompt=True)
    if given is not None:
        set_passphrase(record, passphrase=given)


def _given_passphrase(file: Path | None) -> str | None:
    from shimwise.web.serve import ServeError

    if file is None:
        return os.environ.get(PASSPHRASE) or None
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeError) as error:
        raise ServeError(f"The passphrase cannot be read from {file}: {error}.") from error
