"""The house's seal under a signature: Ed25519 over what was signed, by whom, when, and the journal's head.

It travels in the row of the sign-off, ``seal``, and is no part of the digest, which it is over.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from shimwise.house_keys import HouseKey, KnownKey, fingerprint_of, is_signed
from shimwise.sheets.papers.signed.canonical_json import canonical_bytes

SCHEMA = "shimwise.seal/1"
FIELDS = frozenset({"schema", "key", "journal_seq", "journal_head", "signature"})
_OF_ROW = ("id", "revision", "signed_by", "signed_at", "digest")


class Vouched(StrEnum):
    """State of a seal: made by a house known here, by another, it does not hold, or there is none."""

    KNOWN = "known"
    STRANGER = "stranger"
    BROKEN = "broken"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Voucher:
    """The result of looking at a seal; ``house``: whose it is, if it is known here."""

    vouched: Vouched
    house: KnownKey | None = None
    fingerprint: str = ""


def sealed(
    row: Mapping[str, Any], *, prep_id: str, journal_seq: int, journal_head: str, key: HouseKey
) -> dict[str, Any]:
    """Return the seal of a sign-off.

    Parameters
    ----------
    row : mapping
        The sign-off as JSON, with its digest.
    prep_id : str
        Of which prep.
    journal_seq, journal_head
        The journal's last line before it, and the head of its chain there.
    key : HouseKey
        The house's.
    """
    seal: dict[str, Any] = {
        "schema": SCHEMA,
        "key": key.public.hex(),
        "journal_seq": journal_seq,
        "journal_head": journal_head,
    }
    return {**seal, "signature": key.sign(_statement(row, seal, prep_id)).hex()}


def look_at_seal(row: Mapping[str, Any], *, prep_id: str, known: Sequence[KnownKey]) -> Voucher:
    """Return the state of a sign-off's seal; never raises, whatever a file holds in its place.

    Parameters
    ----------
    row : mapping
        The sign-off as JSON.
    prep_id : str
        Of which prep.
    known : sequence of KnownKey
        Keys of the houses that are known here.
    """
    seal = row.get("seal")
    if seal is None:
        return Voucher(Vouched.NONE)
    try:
        if set(seal) != FIELDS or seal["schema"] != SCHEMA:
            return Voucher(Vouched.BROKEN)
        public, signature = bytes.fromhex(seal["key"]), bytes.fromhex(seal["signature"])
        holds = is_signed(_statement(row, seal, prep_id), signature=signature, public=public)
    except Exception:  # whatever a file made by a stranger holds here
        return Voucher(Vouched.BROKEN)
    if not holds:
        return Voucher(Vouched.BROKEN)
    house = next((one for one in known if one.public == public), None)
    return Voucher(Vouched.STRANGER if house is None else Vouched.KNOWN, house, fingerprint_of(public))


def _statement(row: Mapping[str, Any], seal: Mapping[str, Any], prep_id: str) -> bytes:
    """Return what a seal is over; its first name separates it from all else that a house signs."""
    of_row = {name: row.get(name) for name in _OF_ROW}
    head = {name: seal[name] for name in ("journal_seq", "journal_head")}
    return canonical_bytes({"schema": SCHEMA, "prep_id": prep_id, **of_row, **head})
