"""The signed part of a prep document, its canonical bytes, and the digest that signs it.

The digest of a prep is the SHA-256 of the canonical form of what is signed: the prep document with its newest
verdict and its sign-offs (who, when, exceptions), without the digests themselves, and without what changes in
a house after a prep. Equal preps have equal digests, whatever the order of their names; one letter more and
the digest is another. It shows a change; it is no proof of who made it: whoever has to be sure compares it
with the record's.

References
----------
.. [1] A. Rundgren, B. Jordan, S. Erdtman, *JSON Canonicalization Scheme (JCS)*, RFC 8785 (2020).
.. [2] NIST FIPS 180-4, SHA-256.
"""

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

import rfc8785

from shimwise.errors import SheetError

LARGEST_INTEGER = 2**53 - 1
"""Above this, whole numbers are not exact in every reader (RFC 8785, section 3.1; RFC 7493)."""
DEEPEST = 64

UNIT_IDS = {"bodies": "body_ids", "lenses": "lens_ids"}
"""Fields of the prep's row that name the units of the document which belong to it."""
UNSIGNED_KEYS = ("journal", "exported_at", "program_version")
"""What is beside a prep's content and changes whenever it is exported."""
_OF_UNITS = ("history_mean_um", "history_sd_um", "epoch", "note", "is_retired")
UNSIGNED_FIELDS: dict[str, tuple[str, ...]] = {
    "prep": ("state", "closed_at", "closed_by", "revision", "epoch_shifts"),
    "set": ("lens_ids", "note"),
    "bodies": _OF_UNITS,
    "lenses": _OF_UNITS,
    "sign_offs": ("digest", "signed_json", "seal"),
}
"""Of the prep, its set, units and sign-offs: what signing, later preps and the house change."""
ADDED_FIELDS: dict[str, tuple[str, ...]] = {
    "lenses": ("marks_mm",),
    "readings": ("temperature_c", "landing_um", "landing_sd_um", "setting"),
    "sign_offs": ("as_set",),
}
"""Fields of later versions: they are signed where they hold something, so earlier signatures still hold."""


def canonical_bytes(value: Any) -> bytes:  # noqa: ANN401 - a tree of JSON
    """Return a tree of JSON in its canonical form, UTF-8.

    Parameters
    ----------
    value : JSON
        Of mappings with text names, sequences, texts, numbers, booleans and None.

    Raises
    ------
    SheetError
        If a number is not finite, a whole number is beyond 2⁵³ − 1 and not exact, a name or text is no
        Unicode text, or the tree is deeper than 64.
    """
    try:
        return rfc8785.dumps(_tree(value, 0))
    except rfc8785.FloatDomainError as error:
        raise _refusal("a number is no finite number") from error
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise _refusal("a text is no Unicode text") from error


def _tree(value: Any, depth: int) -> Any:  # noqa: ANN401 - a tree of JSON
    """Return a tree as the library takes it, and refuse what has no canonical form."""
    if depth > DEEPEST:
        raise _refusal(f"it is deeper than {DEEPEST}")
    match value:
        case None | bool() | str() | float():
            return value
        case int():
            return _number(value)
        case Mapping():
            strange = next((name for name in value if not isinstance(name, str)), "")
            if not isinstance(strange, str):
                raise _refusal(f"the name {strange!r} is no text")
            return {name: _tree(item, depth + 1) for name, item in value.items()}
        case Sequence():
            return [_tree(item, depth + 1) for item in value]
    raise _refusal(f"a {type(value).__name__} has no place in JSON")


def _number(value: int) -> float:
    """Return a whole number; beyond 2⁵³ − 1 only one that the canonical form of a float was read into."""
    if abs(value) <= LARGEST_INTEGER:
        return value
    exact = float(value) if abs(value) < 10**22 else 0.0
    if rfc8785.dumps(exact) != str(value).encode():
        raise _refusal(f"the whole number {str(value)[:40]} lies beyond 2^53 − 1")
    return exact


def newest(rows: Sequence[Mapping[str, Any]] | None) -> Mapping[str, Any] | None:
    """Return the newest of the verdicts or sign-offs of a prep: of the highest revision, then the latest."""

    def rank(row: Mapping[str, Any]) -> tuple[float, str, str]:
        at = row.get("given_at") or row.get("signed_at")
        return row.get("revision") or 0, str(at), str(row.get("id") or "")

    return max(rows, key=rank) if rows else None


def signed_part(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return the part of a prep document that is signed.

    Left out are digests, the prep's state, verdicts before the newest, lenses of the set that have no part in
    the prep, and what a house changes later.
    """
    part = {key: value for key, value in document.items() if key not in UNSIGNED_KEYS}
    verdict = newest(document.get("verdicts"))
    if "verdicts" in part:
        part["verdicts"] = [] if verdict is None else [verdict]
    for key, left_out in UNSIGNED_FIELDS.items():
        if key in part:
            part[key] = without(part[key], left_out)
    for key, added in ADDED_FIELDS.items():
        if key in part:
            part[key] = [_without_empty(row, added) for row in part[key]]
    return {key: in_prep(document, key, rows) for key, rows in part.items()}


def in_prep(document: Mapping[str, Any], name: str, rows: Any) -> Any:  # noqa: ANN401
    """Return the rows of a list of a document; of units those of the prep, all if it does not name them."""
    ids = (document.get("prep") or {}).get(UNIT_IDS.get(name))
    return [row for row in rows if row.get("id") in ids] if ids and rows else rows


def without(value: Any, keys: Sequence[str]) -> Any:  # noqa: ANN401 - a tree of JSON
    """Return a row, or each row of a list, without some keys."""
    if isinstance(value, Mapping):
        return {key: item for key, item in value.items() if key not in keys}
    if isinstance(value, list | tuple):
        return [without(item, keys) if isinstance(item, Mapping) else item for item in value]
    return value


def _without_empty(row: Any, keys: Sequence[str]) -> Any:  # noqa: ANN401 - a tree of JSON
    empty = [key for key in keys if row.get(key) in (None, [], ())] if isinstance(row, Mapping) else []
    return without(row, empty) if empty else row


def signed_bytes(document: Mapping[str, Any]) -> bytes:
    """Return the signed part of a prep document as the bytes that its digest is over.

    Raises
    ------
    SheetError
        As :func:`canonical_bytes`.
    """
    return canonical_bytes(signed_part(document))


def digest_of(document: Mapping[str, Any]) -> str:
    """Return the digest of a prep document, without those of its sign-offs [64 hexadecimal digits].

    Raises
    ------
    SheetError
        As :func:`canonical_bytes`.
    """
    return hashlib.sha256(signed_bytes(document)).hexdigest()


def signature_of(document: Mapping[str, Any], sign_off: Mapping[str, Any]) -> str:
    """Return the digest that a sign-off has to carry: of the prep together with it [64 hexadecimal digits].

    Parameters
    ----------
    document : mapping
        The prep document without the sign-off.
    sign_off : mapping
        Its row as the document will hold it; its own digest has no part.

    Raises
    ------
    SheetError
        As :func:`canonical_bytes`.
    """
    return digest_of({**document, "sign_offs": [*(document.get("sign_offs") or ()), sign_off]})


def digest_words(digest: str) -> str:
    """Return a digest in groups of eight, to be read aloud and compared by eye."""
    return " ".join(digest[at : at + 8] for at in range(0, len(digest), 8))


def _refusal(what: str) -> SheetError:
    return SheetError(f"The document cannot be signed: {what}. Export the prep anew.")
