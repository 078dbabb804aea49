"""Who may reach the pages from another machine: the house's passphrase, paired devices, and programs.

Neither the passphrase nor a token is kept, only what they can be checked against. Every token expires.

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
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import count

from shimwise.bench.access.acting import HOUSE, Who, changing
from shimwise.bench.access.roles import Act, Role
from shimwise.bench.errors import InputError, NotFound
from shimwise.bench.typed_names import optional_name, typed_name
from shimwise.fields import build_from
from shimwise.record.queries import settings as kept
from shimwise.record.queries import short_lived, tokens
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.rows import ShortLivedRow, TokenRow

LEAST_CHARACTERS = 10
MOST_CHARACTERS = 200
MOST_DEVICES = 200
TOKEN_BYTES = 32
CODE_BYTES = 24
CODE_MINUTES = 5
CODE_LASTS = timedelta(minutes=CODE_MINUTES)
"""A code to pair by is good for this long, and for one device."""
MOST_CODES = 20
AT_ONCE = 2
"""Passphrases and PINs that are checked at a time."""
DEVICE_LASTS, PROGRAM_LASTS = timedelta(days=90), timedelta(days=365)
"""How long a token is good for, from when it was made."""
DEVICE, PROGRAM, SESSION = "device", "program", "session"
_PASSPHRASE = "house_passphrase"  # noqa: S105  # the name of the setting
_CHECKING = threading.BoundedSemaphore(AT_ONCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device that is paired, or a program; ``digest`` is what its token is checked against.

    ``how``: how it came in (``passphrase``, ``code``; a program by ``program``). ``seen_at``: when it was
    last let in, to some minutes; None where it never was. ``expires_at``: from when its token is void.
    ``role``: of a program; None of a device, on which people sign in.
    """

    id: str
    name: str
    paired_at: datetime
    how: str
    digest: str
    expires_at: datetime
    seen_at: datetime | None = None
    role: str | None = None

    @property
    def is_program(self) -> bool:
        """Whether it is a program."""
        return self.how == PROGRAM


def has_passphrase(record: Record) -> bool:
    """Return whether the house has set a passphrase."""
    with record.reading() as connection:
        return bool(kept.setting(connection, _PASSPHRASE))


def set_passphrase(record: Record, *, passphrase: str) -> bool:
    """Set a passphrase; return whether it is another.

    One in the place of another un-pairs every device and program.

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
    if is_passphrase(record, passphrase):
        return False
    hashed, is_first = PasswordHasher().hash(passphrase.strip()), not has_passphrase(record)
    with record.writing(who=HOUSE) as change:
        kept.change_setting(change, _PASSPHRASE, hashed)
        ended = 0 if is_first else tokens.end_tokens(change, DEVICE, PROGRAM, SESSION)
        change.note("passphrase changed", detail={"ended": ended})
    return True


def is_passphrase(record: Record, passphrase: str) -> bool:
    """Return whether this is the house's passphrase. Takes about 0.1 s, so that guessing is slow."""
    with record.reading() as connection:
        hashed = kept.setting(connection, _PASSPHRASE)
    return is_secret(hashed if isinstance(hashed, str) else None, passphrase)


def is_secret(hashed: str | None, typed: str) -> bool:
    """Return whether what was typed is the secret of a hash.

    Each check fills 64 MiB, so :data:`AT_ONCE` are made at a time, and further ones wait.
    """
    from argon2 import PasswordHasher
    from argon2.exceptions import InvalidHashError, VerificationError

    if hashed is None or len(typed) > MOST_CHARACTERS:
        return False
    try:
        with _CHECKING:
            return PasswordHasher().verify(hashed, typed.strip())
    except (VerificationError, InvalidHashError):
        return False


def make_code(record: Record) -> str:
    """Return a new code to pair a device by; the oldest is void when too many are out."""
    code = secrets.token_urlsafe(CODE_BYTES)
    with record.writing(who=HOUSE) as change:
        row = ShortLivedRow(key=token_digest(code), kind="code", expires_at=change.at + CODE_LASTS)
        short_lived.keep(change, row, most=MOST_CODES)
    return code


def is_code(record: Record, code: str) -> bool:
    """Whether a code would be taken now; it stays good."""
    with record.reading() as connection:
        return short_lived.kept(connection, token_digest(code), now=record.clock()) is not None


def take_code(record: Record, code: str) -> bool:
    """Take a code: True for the first who brings it in time, to whichever server."""
    with record.writing(who=HOUSE) as change:
        return short_lived.end(change, token_digest(code))


def pair_device(record: Record, *, name: str, how: str) -> tuple[Device, str]:
    """Pair a device; return it and its token, which is shown only this once.

    Parameters
    ----------
    name : str
        As the person calls it; "device 1" and so on when empty. One that is taken gets a number: "phone (2)".
    how : str
        ``passphrase`` or ``code``.

    Raises
    ------
    InputError
        If the name cannot be kept, or there are too many devices.
    """
    wanted = optional_name(name, field="name")
    with record.writing(who=HOUSE) as change:
        return _added(change, wanted, how=how, lasts=DEVICE_LASTS, role=None)


def make_program(
    record: Record, *, name: str, who: Who, role: str = Role.READER, lasts: timedelta = PROGRAM_LASTS
) -> tuple[Device, str]:
    """Make a token with a role for a program, such as a stock system; it is shown only this once.

    Raises
    ------
    InputError
        If the name or the role cannot be, or there are too many devices and programs.
    """
    wanted = typed_name(name, field="name")
    if role not in set(Role):
        raise InputError(f"is no role; accepted is {', '.join(Role)}.", field="role", typed=role)
    with changing(record, who, Act.DEVICES) as change:
        return _added(change, wanted, how=PROGRAM, lasts=lasts, role=Role(role))


def unpair_device(record: Record, device_id: str, *, who: Who = HOUSE, is_own: bool = False) -> None:
    """End a device or a program; one that is not there stays so. ``is_own``: it is asked for on itself.

    Everybody may end the device in their hand; another one by the table of roles.
    """
    with record.writing(who=HOUSE) if is_own else changing(record, who, Act.DEVICES) as change:
        gone = next((row for row in _rows(change.connection) if row.id == device_id), None)
        if gone is not None:
            tokens.end_token(change, device_id)
            change.note("device unpaired", detail={"device": gone.name})


def find_device(record: Record, text: str) -> Device:
    """Return the device or program with this id or name, or whose id alone begins so; else NotFound."""
    known = devices(record)
    found = [one for one in known if text in (one.id, one.name)] or [
        one for one in known if text and one.id.startswith(text)
    ]
    if len(found) != 1:
        raise NotFound("device", text)
    return found[0]


def see_device(record: Record, device_id: str) -> None:
    """Keep that a device was let in now."""
    with record.writing(who=HOUSE) as change:
        tokens.see_token(change, device_id)


def devices(record: Record) -> tuple[Device, ...]:
    """Return the devices and programs whose tokens are good, oldest first."""
    now = record.clock()
    with record.reading() as connection:
        return tuple(_device(row) for row in _rows(connection) if row.expires_at > now)


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


def _rows(connection: Connection) -> list[TokenRow]:
    return tokens.tokens(connection, DEVICE, PROGRAM)


def _added(
    change: Change, wanted: str, *, how: str, lasts: timedelta, role: Role | None
) -> tuple[Device, str]:
    known = [row for row in _rows(change.connection) if row.expires_at > change.at]
    if len(known) >= MOST_DEVICES:
        raise InputError(
            f"{MOST_DEVICES} devices are paired already, the limit. Un-pair some first.", field="name"
        )
    token = secrets.token_urlsafe(TOKEN_BYTES)
    row = TokenRow(
        id=uuid.uuid4().hex,
        kind=PROGRAM if how == PROGRAM else DEVICE,
        name=_free_name(wanted, {one.name for one in known}),
        digest=token_digest(token),
        made_at=change.at,
        expires_at=change.at + lasts,
        how=how,
        role=role,
    )
    tokens.add_token(change, row)
    change.note("device paired", detail={"device": row.name, "how": how, "role": str(role or "")})
    return _device(row), token


def _device(row: TokenRow) -> Device:
    return build_from(Device, row, paired_at=row.made_at)
