"""One way to write a JSON document as bytes, and the digest that signs a prep.

The digest of a prep is the SHA-256 of the canonical form of what is signed: the prep document with its newest
verdict and its sign-offs (who, when, exceptions), without the digests themselves, and without what changes in
a house after a prep. :func:`signature_of` gives it for a sign-off to come. Equal preps have equal digests,
whatever the order of their names; one letter more and the digest is another. It shows a change; it is no
proof of who made it: whoever has to be sure compares it with the record's.

References
----------
.. [1] A. Rundgren, B. Jordan, S. Erdtman, *JSON Canonicalization Scheme (JCS)*, RFC 8785 (2020), sections
   3.2.2.2 (strings), 3.2.2.3 (numbers), 3.2.3 (order of names).
.. [2] ECMA-262, Number::toString: shortest digits that read back to the same number.
.. [3] NIST FIPS 180-4, SHA-256.
"""

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from shimwise.errors import SheetError

__all__ = [
    "UNSIGNED_FIELDS",
    "UNSIGNED_KEYS",
    "canonical_bytes",
    "digest_of",
    "digest_words",
    "newest",
    "signature_of",
    "signed_bytes",
    "signed_part",
]

LARGEST_INTEGER = 2**53 - 1
"""Above this, whole numbers are not exact in every reader (RFC 8785, section 3.1; RFC 7493)."""
LONGEST_INTEGER = 22
DEEPEST = 64
PLAIN_LOW, PLAIN_HIGH = -6, 21
"""Powers of ten between which a number is written without an exponent (ECMA-262)."""

UNSIGNED_KEYS = ("journal", "exported_at", "program_version")
"""What stands beside a prep's content and changes whenever it is written out."""
_OF_UNITS = ("history_mean_um", "history_sd_um", "epoch", "note", "is_retired")
UNSIGNED_FIELDS: dict[str, tuple[str, ...]] = {
    "prep": ("state", "closed_at", "closed_by", "revision"),
    "set": ("lens_ids", "note"),
    "bodies": _OF_UNITS,
    "lenses": _OF_UNITS,
    "sign_offs": ("digest", "signed_json"),
}
"""Of the prep, its set, units and sign-offs: what signing, later preps and the house change."""


def canonical_bytes(value: Any) -> bytes:  # noqa: ANN401 - a tree of JSON
    """Write a tree of JSON in its canonical form, UTF-8.

    Parameters
    ----------
    value : JSON
        Of mappings with text names, sequences, texts, numbers, booleans and None.

    Raises
    ------
    SheetError
        When a number is not finite, a whole number is beyond 2⁵³ − 1 and not exact, a name or text is no
        Unicode text, or the tree is deeper than 64.
    """
    text = "".join(_parts(value, 0))
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise _refusal(f"{text[error.start : error.end]!r} is no Unicode text") from error


def newest(rows: Sequence[Mapping[str, Any]] | None) -> Mapping[str, Any] | None:
    """Give the newest of the verdicts or sign-offs of a prep: of the highest revision, then the latest."""

    def rank(row: Mapping[str, Any]) -> tuple[float, str, str]:
        at = row.get("given_at") or row.get("signed_at")
        return row.get("revision") or 0, str(at), str(row.get("id") or "")

    return max(rows, key=rank) if rows else None


def signed_part(document: Mapping[str, Any]) -> dict[str, Any]:
    """Give what of a prep document is signed.

    Left out are digests, the prep's state, verdicts before the newest, lenses of the set that have no part in
    the prep, and what a house changes later.
    """
    part = {key: value for key, value in document.items() if key not in UNSIGNED_KEYS}
    verdict = newest(document.get("verdicts"))
    if "verdicts" in part:
        part["verdicts"] = [] if verdict is None else [verdict]
    for key, left_out in UNSIGNED_FIELDS.items():
        if key in part:
            part[key] = _without(part[key], left_out)
    return {key: _in_prep(document, key, rows) for key, rows in part.items()}


def _in_prep(document: Mapping[str, Any], key: str, rows: Any) -> Any:  # noqa: ANN401
    """Keep of the units those of the prep; all where it does not say which they are."""
    name = {"bodies": "body_ids", "lenses": "lens_ids"}.get(key)
    ids = (document.get("prep") or {}).get(name) if name else None
    return [row for row in rows if row.get("id") in ids] if ids else rows


def _without(value: Any, keys: Sequence[str]) -> Any:  # noqa: ANN401 - a tree of JSON
    """Leave keys out of a row, or of each row of a list."""
    if isinstance(value, Mapping):
        return {key: item for key, item in value.items() if key not in keys}
    if isinstance(value, list | tuple):
        return [_without(item, keys) if isinstance(item, Mapping) else item for item in value]
    return value


def signed_bytes(document: Mapping[str, Any]) -> bytes:
    """Give what of a prep document is signed as the bytes that its digest is over.

    Raises
    ------
    SheetError
        As :func:`canonical_bytes`.
    """
    return canonical_bytes(signed_part(document))


def digest_of(document: Mapping[str, Any]) -> str:
    """Digest of a prep document [64 hexadecimal digits]; the digests of its sign-offs have no part in it.

    Raises
    ------
    SheetError
        As :func:`canonical_bytes`.
    """
    return hashlib.sha256(signed_bytes(document)).hexdigest()


def signature_of(document: Mapping[str, Any], sign_off: Mapping[str, Any]) -> str:
    """Digest that a sign-off has to carry: of the prep together with it [64 hexadecimal digits].

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
    """Write a digest in groups of eight, to be read aloud and compared by eye."""
    return " ".join(digest[at : at + 8] for at in range(0, len(digest), 8))


def _parts(value: Any, depth: int) -> Iterator[str]:  # noqa: ANN401
    if depth > DEEPEST:
        raise _refusal(f"it is deeper than {DEEPEST}")
    match value:
        case None | bool():
            yield {None: "null", True: "true", False: "false"}[value]
        case str():
            yield json.dumps(value, ensure_ascii=False)
        case int() | float():
            yield _number(value)
        case Mapping():
            yield from _object(value, depth)
        case Sequence():
            for number, item in enumerate(value):
                yield "," if number else "["
                yield from _parts(item, depth + 1)
            yield "]" if len(value) else "[]"
        case _:
            raise _refusal(f"a {type(value).__name__} has no place in JSON")


def _object(value: Mapping[Any, Any], depth: int) -> Iterator[str]:
    for name in value:
        if not isinstance(name, str):
            raise _refusal(f"the name {name!r} is no text")
    for number, name in enumerate(sorted(value, key=_utf16)):
        yield "," if number else "{"
        yield f"{json.dumps(name, ensure_ascii=False)}:"
        yield from _parts(value[name], depth + 1)
    yield "}" if value else "{}"


def _utf16(name: str) -> bytes:
    """Order of names: by their UTF-16 code units."""
    return name.encode("utf-16-be", "surrogatepass")


def _number(value: float) -> str:
    if isinstance(value, int):
        return _whole(value)
    if not math.isfinite(value):
        raise _refusal(f"{value} is no finite number")
    if value == 0:
        return "0"
    _, digits, exponent = Decimal(repr(abs(value))).normalize().as_tuple()
    shown = _decimal("".join(map(str, digits)), int(exponent) + len(digits))
    return f"-{shown}" if value < 0 else shown


def _whole(value: int) -> str:
    """Write a whole number; beyond 2⁵³ − 1 only one that the canonical form of a float was read into."""
    text = str(value)
    if abs(value) > LARGEST_INTEGER and (len(text) > LONGEST_INTEGER or _number(float(value)) != text):
        raise _refusal(f"the whole number {text[:40]} lies beyond 2^53 − 1")
    return text


def _decimal(digits: str, point: int) -> str:
    """Write 0.digits × 10^point as ECMA-262 does."""
    if len(digits) <= point <= PLAIN_HIGH:
        return digits + "0" * (point - len(digits))
    if 0 < point <= PLAIN_HIGH:
        return f"{digits[:point]}.{digits[point:]}"
    if PLAIN_LOW < point <= 0:
        return f"0.{'0' * -point}{digits}"
    power = point - 1
    fraction = f".{digits[1:]}" if len(digits) > 1 else ""
    return f"{digits[0]}{fraction}e{'+' if power > 0 else '-'}{abs(power)}"


def _refusal(what: str) -> SheetError:
    return SheetError(f"The document cannot be signed: {what}. Export the prep anew.")
