"""``shimwise people``: who may do what, people with their roles, devices, and programs with tokens."""

from datetime import timedelta
from typing import Annotated

import typer

from shimwise.bench.access import accounts, pairing
from shimwise.bench.access.pairing import Device
from shimwise.bench.access.roles import Role
from shimwise.bench.exchange.record_admin import Record, open_record
from shimwise.cli.acting import acting, console, given_pin
from shimwise.cli.options import argument, flag
from shimwise.cli.output import show, wrapped
from shimwise.cli.record_options import AsJson, Data, Who

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)
Name = Annotated[str, argument("NAME", "The name, as it stands beside readings.")]
RoleOption = Annotated[
    Role, flag("--role", "reader, technician, lead or keeper; each may do what those before may.")
]
NONE = (
    "No keeper is named yet: names are believed, and whoever reaches the pages may do everything. "
    "Name the first one: shimwise people add NAME --role keeper"
)


@app.command("list")
def list_people(*, data: Data = None, as_json: AsJson = False) -> None:
    """List the people, and what each role may do."""
    with open_record(data, is_read_only=True) as record:
        known = accounts.people(record)
    rules = accounts.rules()
    lines = [f"{one.name}: {one.role}" for one in known] or [wrapped(NONE)]
    for role in Role:
        lines.append(f"\nA {role} may" + ("" if role is Role.READER else ", beside what those above may"))
        lines += [
            wrapped(f"- {one.words}{' (on the console)' if one.at_console else ''}", indent="  ")
            for one in rules
            if one.least is role
        ]
    show({"people": known, "rules": rules}, "\n".join(lines), as_json=as_json)


@app.command()
def add(name: Name, *, role: RoleOption, who: Who = None, data: Data = None, as_json: AsJson = False) -> None:
    """Add a person; the PIN is asked for. The first one is a keeper."""
    with open_record(data) as record:
        is_first = not accounts.has_keeper(record)
        by = console() if is_first else acting(record, who)
        pin = given_pin(f"PIN of {name}, 4 to 12 digits", is_new=True)
        done = accounts.add_person(record, name=name, role=role, pin=pin, who=by)
    text = f"{done.name} is a {done.role} now."
    if is_first:
        text += (
            " From now on names are proved by a PIN, here and on all devices. Programs may look; for more "
            "they need a token with a role."
        )
    show(done, wrapped(text), as_json=as_json)


@app.command()
def role(
    name: Name,
    role: Annotated[Role, argument("ROLE", "reader, technician, lead or keeper.")],
    *,
    who: Who = None,
    data: Data = None,
) -> None:
    """Give a person another role."""
    with open_record(data, has_to_be=True) as record:
        done = accounts.change_role(record, _id_of(record, name), role=role, who=acting(record, who))
    typer.echo(f"{done.name} is a {done.role} now.")


@app.command()
def pin(name: Name, *, who: Who = None, data: Data = None) -> None:
    """Set another PIN for a person, who is signed out everywhere."""
    with open_record(data, has_to_be=True) as record:
        by, person_id = acting(record, who), _id_of(record, name)
        done = accounts.set_pin(record, person_id, pin=given_pin(f"New PIN of {name}", is_new=True), who=by)
    typer.echo(f"{done.name} has another PIN.")


@app.command()
def end(name: Name, *, who: Who = None, data: Data = None) -> None:
    """Take a person's role away; what they did stays under their name."""
    with open_record(data, has_to_be=True) as record:
        accounts.end_person(record, _id_of(record, name), who=acting(record, who))
    typer.echo(f"{name} has no role any more.")


@app.command()
def devices(*, data: Data = None, as_json: AsJson = False) -> None:
    """List the paired devices and the programs."""
    with open_record(data, is_read_only=True) as record:
        known = pairing.devices(record)
    shown = [
        {"id": one.id, "name": one.name, "how": one.how, "role": one.role, "expires_at": one.expires_at}
        for one in known
    ]
    show(shown, "\n".join(map(_device_words, known)) or "No device is paired.", as_json=as_json)


@app.command()
def unpair(
    device: Annotated[str, argument("DEVICE", "Name, id, or the beginning of the id.")],
    *,
    who: Who = None,
    data: Data = None,
) -> None:
    """End a device or a program: its token is good no more."""
    with open_record(data, has_to_be=True) as record:
        found = pairing.find_device(record, device)
        pairing.unpair_device(record, found.id, who=acting(record, who))
    typer.echo(f"{found.name} is let in no more.")


@app.command()
def token(
    name: Annotated[str, argument("NAME", "What the program is called.")],
    *,
    role: RoleOption = Role.READER,
    days: Annotated[int, typer.Option("--days", min=1, max=3650, help="How long it is good for.")] = 365,
    who: Who = None,
    data: Data = None,
    as_json: AsJson = False,
) -> None:
    """Give a program, such as a stock system, a token with a role; it is shown this once."""
    with open_record(data, has_to_be=True) as record:
        made, secret = pairing.make_program(
            record, name=name, role=role, lasts=timedelta(days=days), who=acting(record, who)
        )
    words = (
        f"{made.name} sends this with each request, as Authorization: Bearer …, until "
        f"{made.expires_at:%Y-%m-%d}. It is shown this once:"
    )
    result = {"id": made.id, "name": made.name, "role": made.role, "token": secret}
    show(result, f"{wrapped(words)}\n{secret}", as_json=as_json)


def _id_of(record: Record, name: str) -> str:
    known = accounts.find_person(record, name)
    return known.id


def _device_words(one: Device) -> str:
    role = f", a {one.role}" if one.role else ""
    seen = f"last seen {one.seen_at:%Y-%m-%d}" if one.seen_at else "not seen since"
    return f"{one.id[:8]}  {one.name}: by {one.how}{role}, {seen}, good until {one.expires_at:%Y-%m-%d}"
