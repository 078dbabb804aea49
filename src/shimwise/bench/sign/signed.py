"""What was signed: the document kept with a signature, and a prep as it was then.

A signed prep is frozen, but the house goes on: a body is renamed, a lens gets another note. Papers, exports
and the check of a paper use what was signed, so they stay as they were.
"""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from shimwise.record import Connection, journal
from shimwise.record.errors import NotFound
from shimwise.record.queries import preps, verdicts
from shimwise.record.record import Record
from shimwise.record.tables.rows import SignOffRow
from shimwise.sheets.papers.signed.canonical_json import (
    ADDED_FIELDS,
    digest_of,
    newest,
    signed_bytes,
    without,
)
from shimwise.sheets.papers.signed.findings import KeptSignature, Recorded, signed_in
from shimwise.sheets.papers.signed.rows_words import moment_words
from shimwise.sheets.words.shared import plain

SIGNED = "signed"


def with_signature(document: Mapping[str, Any], sign_off: Mapping[str, Any]) -> tuple[str, str]:
    """Return the digest of a prep document with a sign-off to come, and the text that it is over.

    Parameters
    ----------
    document : mapping
        The prep document, ``shimwise.prep/1``, without the sign-off.
    sign_off : mapping
        Its row in the document, without its own digest.

    Raises
    ------
    SheetError
        If the document cannot be signed.
    """
    signed = signed_bytes({**document, "sign_offs": [*(document.get("sign_offs") or ()), sign_off]})
    return hashlib.sha256(signed).hexdigest(), signed.decode()


def as_signed(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a signed prep's document as it was signed, and nothing else; any other unchanged.

    Later changes of the units are no part of it: the same signature has the same document. One that was
    altered since is left unchanged, so that the alteration shows.
    """
    found = _valid_signature(document)
    if found is None or digest_of(document) != found[0]["digest"]:
        return dict(document)
    row, signed = found
    beside = {one.get("id"): _beside(one) for one in document["sign_offs"]}
    sign_offs = [
        {**one, **beside.get(one.get("id"), {"digest": ""})} for one in signed.get("sign_offs") or ()
    ]
    prep = {**signed["prep"], "state": SIGNED, "revision": row.get("revision")}
    return {**signed, "prep": prep, "sign_offs": sign_offs, "journal": []}


def _beside(sign_off: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a sign-off has beside what was signed: its digest and its seal."""
    seal = sign_off.get("seal")
    return {"digest": sign_off.get("digest")} | ({} if seal is None else {"seal": seal})


def as_exported(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a signed prep's document for import elsewhere; any other unchanged.

    Unlike :func:`as_signed` it keeps what is no part of the signature: the journal, earlier verdicts and
    signatures, histories.
    """
    found = _valid_signature(document)
    if found is None:
        return dict(document)
    _, signed = found
    exported = dict(document)
    for key in ("prep", "set"):
        if signed.get(key) is not None:
            exported[key] = {**(document.get(key) or {}), **signed[key]}
    for key in ("bodies", "lenses"):
        rows = {one["id"]: one for one in signed.get(key) or ()}
        added = ADDED_FIELDS.get(key, ())
        exported[key] = [
            {**without(one, added), **rows[one["id"]]} if one["id"] in rows else one for one in document[key]
        ]
    return exported


def _valid_signature(document: Mapping[str, Any]) -> tuple[Mapping[str, Any], Mapping[str, Any]] | None:
    """Return the valid signature with what was signed; None if there is none, or it was not kept."""
    row = newest(document.get("sign_offs"))
    if row is None or (document.get("prep") or {}).get("state") != SIGNED:
        return None
    signed = signed_in(row)
    return None if signed is None else (row, signed)


def recorded(record: Record) -> Recorded:
    """Return a lookup of a prep's signatures in the record by its id; None for an unknown prep."""

    def signatures(prep_id: str) -> tuple[KeptSignature, ...] | None:
        with record.reading() as connection:
            try:
                is_signed = preps.prep(connection, prep_id).state == SIGNED
            except NotFound:
                return None
            rows = verdicts.sign_offs(connection, prep_id)
            taken_in = _taken_in(connection, prep_id)
        return tuple(_kept(row, is_standing=is_signed and row is rows[-1], taken_in=taken_in) for row in rows)

    return signatures


def _taken_in(connection: Connection, prep_id: str) -> str:
    """Return who took a prep in from another record, and when, in words; empty if it was made here."""
    line = journal.taken_in(connection).get(prep_id)
    if line is None:
        return ""
    return f"It was taken in here by {plain(line.who)} on {moment_words(line.at.isoformat())}."


def _kept(row: SignOffRow, *, is_standing: bool, taken_in: str) -> KeptSignature:
    return KeptSignature(
        digest=row.digest,
        revision=row.revision,
        signed_by=row.signed_by,
        signed_at=row.signed_at.isoformat(),
        is_standing=is_standing,
        taken_in=taken_in,
        document=None if row.signed_json is None else json.loads(row.signed_json),
    )
