"""The home of a machine by its address: a record that is opened, or a house that is asked."""

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from shimwise.bench.access.acting import Actor, Who
from shimwise.bench.errors import Conflict
from shimwise.bench.exchange.sync_house import HouseSide
from shimwise.bench.exchange.sync_side import RecordSide, Side
from shimwise.record.location import location_of
from shimwise.record.record import Record

WEB = ("https://", "http://")


def is_web(address: str) -> bool:
    """Return whether a home is a served house."""
    return address.lower().startswith(WEB)


@contextmanager
def opened_home(
    address: str,
    *,
    own: Record,
    acting: Callable[[Record], Who | Actor],
    name: str,
    machine: str,
    token: str = "",
    certificate: Path | None = None,
) -> Iterator[Side]:
    """Open the home of a machine.

    Parameters
    ----------
    address : str
        ``https://…`` of a served house; or a ``postgresql://`` address, a folder or a file of a record.
    own : Record
        The record of this machine.
    acting : callable
        Returns who acts on a record that is opened.
    name, machine : str
        Who acts, as a house without a keeper believes it; and this machine, for the journal of home.
    token : str
        Of this machine, at a served house.
    certificate : Path, optional
        The certificate of a house that has its own.

    Raises
    ------
    RecordAway, RecordTooNew, RecordDamaged
        If there is no record, or it is of another version, which is left as it is.
    Conflict
        If home is this very record.
    """
    if is_web(address):
        with closing(
            HouseSide(address, token=token, who=name, machine=machine, certificate=certificate)
        ) as side:
            yield side
        return
    if location_of(address).name == own.name:
        raise Conflict("Home is this machine's own record. Give the address of another.", kind="home", id="")
    Record.open(address, is_read_only=True).close()  # a home of an older version is not renewed from afar
    with Record.open(address) as home:
        yield RecordSide(home, who=acting(home), is_home=True, machine=machine)


def without_secret(address: str) -> str:
    """Return an address as it may be kept and shown: without a password, or a token in it."""
    return address if is_web(address) else location_of(address).bare_address
