"""Who may reach the pages from another machine: the house's passphrase and the devices that are paired.

Neither the passphrase nor a device's token is kept, only what they can be checked against.

References
----------
.. [1] RFC 9106, *Argon2 Memory-Hard Function for Password Hashing* (the passphrase; library ``argon2-cffi``).
.. [2] NIST SP 800-63B, *Digital Identity Guidelines*: a secret drawn at random with 112 bits or more may be
   kept under a plain hash (section 5.1.2.2); a chosen one has at least 8 characters (section 5.1.1).
"""

import hashlib
import secrets
import threading
import uuid
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from itertools import count
from typing import TYPE_CHECKING, Any

from shimwise.bench.errors import InputError
from shimwise.bench.typed_names import optional_name
from shimwise.record.queries import settings as kept

if TYPE_CHECKING:
    from shimwise.record import Connection
    from shimwise.record.journal import Change
    from shimwise.record.record import Record

LEAST_CHARACTERS = 10
MOST_CHARACTERS = 200
MOST_DEVICES = 200
TOKEN_BYTES = 32
AT_ONCE = 2
"""Passphrases that are checked at a time."""
HOUSE = "the house"
_PASSPHRASE = "house_passphrase"  # noqa: S105  # the name of the setting
_DEVICES = "house_devices"
_SEEN = "house_devices_seen"
_CHECKING = threading.BoundedSemaphore(AT_ONCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device that is paired; ``digest`` is what its token is checked against, ``how`` how it came in.

    ``seen_at`` is when it was last let in, to some minutes; None where it never was since it was paired.
    """

    id: str
    name: str
    paired_at: datetime
    how: str
    digest: str
    seen_at: datetime | None = None


def has_passphrase(record: "Record") -> bool:
    """Return whether the house has set a passphrase."""
    with record.reading() as connection:
        return bool(kept.setting(connection, _PASSPHRASE))


def set_passphrase(record: "Record", *, passphrase: str) -> None:
    """Set another passphrase for the house; devices that are paired stay so.

    Raises
    ------
    InputError
        If it is too short or too long.
    """
    from argon2 import PasswordHasher

    if not LEAST_CHARACTERS <= len(passphrase.strip()) <= MOST_CHARACTERS:
        raise InputError(
            f"A passphrase has {LEAST_CHARACTERS} to {MOST_CHARACTERS} characters; this one has "
            f"{len(passphrase.strip())}. Take a few words that belong to nobody.",
            field="passphrase",
        )
    hashed = PasswordHasher().hash(passphrase.strip())
    with record.writing(who=HOUSE) as change:
        kept.change_setting(change, _PASSPHRASE, hashed)
        change.note("passphrase changed")


def is_passphrase(record: "Record", passphrase: str) -> bool:
    """Return whether this is the house's passphrase. Takes about 0.1 s, so that guessing is slow.

    Each check fills 64 MiB, so :data:`AT_ONCE` are made at a time, and further ones wait.
    """
    from argon2 import PasswordHasher
    from argon2.exceptions import InvalidHashError, VerificationError

    with record.reading() as connection:
        hashed = kept.setting(connection, _PASSPHRASE)
    if not isinstance(hashed, str) or len(passphrase) > MOST_CHARACTERS:
        return False
    try:
        with _CHECKING:
            return PasswordHasher().verify(hashed, passphrase.strip())
    except (VerificationError, InvalidHashError):
        return False


def pair_device(record: "Record", *, name: str, how: str) -> tuple[Device, str]:
    """Pair a device; return it and its token, which is shown only this once.

    Parameters
    ----------
    name : str
        As the person calls it; "device 1" and so on when empty. One that is taken gets a number: "phone (2)".
    how : str
        ``passphrase``, ``code`` or ``program``.

    Raises
    ------
    InputError
        If the name cannot be kept, or there are too many devices.
    """
    token = secrets.token_urlsafe(TOKEN_BYTES)
    wanted = optional_name(name, field="name")
    with record.writing(who=HOUSE) as change:
        known = _devices_in(change.connection)
        called = _free_name(wanted, {device.name for device in known})
        if len(known) >= MOST_DEVICES:
            raise InputError(
                f"{MOST_DEVICES} devices are paired already, the limit. Un-pair some first.", field="name"
            )
        device = Device(
            id=uuid.uuid4().hex, name=called, paired_at=change.at, how=how, digest=token_digest(token)
        )
        _keep(change, (*known, device))
        change.note("device paired", detail={"device": called, "how": how})
    return device, token


def unpair_device(record: "Record", device_id: str) -> None:
    """Take a device's pairing away; one that is not paired stays so."""
    with record.writing(who=HOUSE) as change:
        known = _devices_in(change.connection)
        left = tuple(device for device in known if device.id != device_id)
        if len(left) < len(known):
            _keep(change, left)
            gone = next(device for device in known if device.id == device_id)
            change.note("device unpaired", detail={"device": gone.name})


def see_device(record: "Record", device_id: str) -> None:
    """Keep that a device was let in now."""
    with record.writing(who=HOUSE) as change:
        there = {device.id for device in _devices_in(change.connection)}
        seen: dict[str, str] = kept.setting(change.connection, _SEEN) or {}
        seen = {one: at for one, at in seen.items() if one in there}
        if device_id in there:
            seen[device_id] = change.at.isoformat()
        kept.change_setting(change, _SEEN, seen)


def devices(record: "Record") -> tuple[Device, ...]:
    """Return the devices that are paired, oldest first."""
    with record.reading() as connection:
        known = _devices_in(connection)
        seen: dict[str, str] = kept.setting(connection, _SEEN) or {}
    return tuple(
        replace(device, seen_at=datetime.fromisoformat(seen[device.id])) if device.id in seen else device
        for device in known
    )


def token_digest(token: str) -> str:
    """Return what a token is checked against: SHA-256, enough for a secret of 256 random bits."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _free_name(wanted: str, taken: set[str]) -> str:
    """Return a name that no other device has."""
    if wanted and wanted not in taken:
        return wanted
    numbered = (
        f"{wanted} ({number})" if wanted else f"device {number}" for number in count(2 if wanted else 1)
    )
    return next(name for name in numbered if name not in taken)


def _devices_in(connection: "Connection") -> tuple[Device, ...]:
    stored: Any = kept.setting(connection, _DEVICES) or []
    return tuple(Device(**{**row, "paired_at": datetime.fromisoformat(row["paired_at"])}) for row in stored)


def _keep(change: "Change", known: tuple[Device, ...]) -> None:
    rows = [{**asdict(device), "paired_at": device.paired_at.isoformat()} for device in known]
    for row in rows:
        del row["seen_at"]
    kept.change_setting(change, _DEVICES, rows)
