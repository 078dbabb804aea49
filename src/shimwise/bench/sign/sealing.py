"""Seals under signatures: made with the house's key, asked for at imports, compared with rows and journal."""

from collections.abc import Iterator, Mapping
from typing import Any

from shimwise.house_keys import HouseKey, KnownKey, known_keys
from shimwise.record import Connection, journal
from shimwise.record.backup.checking import Contradiction
from shimwise.record.exchange import prep_json
from shimwise.record.exchange.row_json import ExchangeError, row_to_json
from shimwise.record.queries import lookups, verdicts
from shimwise.record.tables.rows import SignOffRow
from shimwise.sheets.papers.signed.canonical_json import UNSIGNED_FIELDS, digest_of, newest, without
from shimwise.sheets.papers.signed.findings import signed_in
from shimwise.sheets.papers.signed.seal import Vouched, look_at_seal, sealed

LATEST = 5
"""Seals that are looked at for one from which the journal's chain goes on."""


def seal_of(connection: Connection, row: SignOffRow, key: HouseKey) -> dict[str, Any]:
    """Return the seal of a sign-off that is about to be kept."""
    seq, head = _head(connection, key)
    return sealed(row_to_json(row), prep_id=row.prep_id, journal_seq=seq, journal_head=head, key=key)


def _head(connection: Connection, key: HouseKey) -> tuple[int, str]:
    """Return the journal's last line and its head, computed on from the latest seal that holds."""
    own = (KnownKey(key.public, ""),)
    last, at = journal.last_seq(connection), (0, journal.GENESIS)
    taken_in = journal.taken_in(connection)
    for row in verdicts.sealed_sign_offs(connection, limit=LATEST):
        seal = row.seal or {}
        holds = look_at_seal(row_to_json(row), prep_id=row.prep_id, known=own).vouched is Vouched.KNOWN
        if holds and seal["journal_seq"] <= last and row.prep_id not in taken_in:
            at = seal["journal_seq"], seal["journal_head"]
            break
    for at in journal.heads_after(connection, *at):  # noqa: B007, B020 - the last one
        pass
    return at


def refuse_unproven(document: object, *, is_unproven: bool) -> None:
    """Refuse a prep of another record whose signatures nobody known here vouches for.

    Parameters
    ----------
    document : object
        The prep, as it was exported.
    is_unproven : bool
        Whether signatures without a seal, as before 0.3, are taken in all the same.

    Raises
    ------
    ExchangeError
        If a seal does not hold or is of a house that is not known here, there is none, or the newest
        signature is not over the prep.
    """
    rows = document.get("sign_offs") if isinstance(document, Mapping) else None
    prep = document.get("prep") if isinstance(document, Mapping) else None
    if not isinstance(rows, list) or not isinstance(prep, Mapping):
        return  # no prep: the import itself reports what is missing
    known = known_keys()
    for number, row in enumerate(one for one in rows if isinstance(one, Mapping)):
        found = look_at_seal(row, prep_id=str(prep.get("id")), known=known)
        if found.vouched is Vouched.BROKEN:
            raise ExchangeError(
                f"sign_offs[{number}].seal does not hold: who signed it, when, or what was signed was "
                "changed. Nothing is taken in."
            )
        if found.vouched is Vouched.STRANGER:
            raise ExchangeError(
                f"The signature of {row.get('signed_by')} (sign_offs[{number}]) is under the seal of a house "
                f"that is not known here, {found.fingerprint}. Ask it for its public key, compare the "
                "fingerprint by voice, then here: shimwise keys trust FILE.pem HOUSE"
            )
        if found.vouched is Vouched.NONE and not is_unproven:
            raise ExchangeError(
                f"sign_offs[{number}] has no seal of a house: it was signed before signatures had keys, or "
                "the seal was taken off, and nobody can tell what was signed. To take it in all the same, "
                "with that mark: --unproven"
            )
    if prep.get("state") == "signed" and not _is_newest_over(document):
        raise ExchangeError("The prep is not what its newest signature is over. Nothing is taken in.")


def _is_newest_over(document: Any) -> bool:  # noqa: ANN401 - whatever was sent as a prep
    """Return whether the newest signature, if there is any, is over the document.

    Raises
    ------
    ExchangeError
        If that cannot be computed: a list or a row in it is none.
    """
    try:
        latest = newest([one for one in document["sign_offs"] if isinstance(one, Mapping)])
        return latest is None or digest_of(document) == latest.get("digest")
    except (AttributeError, LookupError, TypeError, ValueError) as error:
        raise ExchangeError(
            f"The file holds what no prep holds ({error}). Export it again from where it was made."
        ) from error


def contradictions_of_seals(connection: Connection) -> Iterator[Contradiction]:
    """Yield where signed preps are not what was signed, seals do not hold, or the journal is another."""
    known, taken_in = known_keys(), journal.taken_in(connection)
    heads: dict[int, list[tuple[str, str]]] = {}
    first_at = None
    for row in verdicts.all_sign_offs(connection):
        subject = f"sign-off {row.id}"
        is_own = row.prep_id not in taken_in
        found = look_at_seal(row_to_json(row), prep_id=row.prep_id, known=known)
        if found.vouched is Vouched.BROKEN:
            yield Contradiction(subject=subject, text="does not agree with the seal of the house under it.")
        elif found.vouched is Vouched.STRANGER and is_own:
            yield Contradiction(
                subject=subject, text=f"was sealed here with {found.fingerprint}, which is not known here."
            )
        elif found.vouched is Vouched.NONE and is_own and first_at is not None:
            yield Contradiction(subject=subject, text="has no seal, though signatures before it have one.")
        elif found.vouched is Vouched.KNOWN and is_own and row.seal is not None:
            first_at = first_at or row.signed_at
            heads.setdefault(row.seal["journal_seq"], []).append((row.id, row.seal["journal_head"]))
    yield from _of_journal(connection, heads)
    for prep_id in lookups.signed_prep_ids(connection):
        if _was_changed(prep_json.export_prep(connection, prep_id)):
            yield Contradiction(
                subject=f"prep {prep_id}", text="is not what was signed: its rows were changed."
            )


def _of_journal(
    connection: Connection, heads: Mapping[int, list[tuple[str, str]]]
) -> Iterator[Contradiction]:
    if not heads:
        return
    found = {0: journal.GENESIS} | {
        seq: head for seq, head in journal.heads_after(connection) if seq in heads
    }
    wrong = [seq for seq, wanted in heads.items() if any(head != found.get(seq) for _, head in wanted)]
    if wrong:
        yield Contradiction(
            subject="journal",
            text=f"is another than when {heads[min(wrong)][0][0]} was signed: a line up to {min(wrong)} was "
            "changed.",
        )


def _was_changed(document: Mapping[str, Any]) -> bool:
    """Return whether a signed prep's rows are not what was signed; of its units their names may change."""
    from shimwise.bench.sign.signed import as_exported

    row = newest(document["sign_offs"])
    if row is None:
        return True
    signed = signed_in(row)
    if signed is None:
        return row.get("signed_json") is not None
    prep = without(document["prep"], UNSIGNED_FIELDS["prep"])
    kept: Mapping[str, Any] = signed["prep"]
    is_same = all(prep.get(name) == value for name, value in kept.items())
    return not is_same or digest_of(as_exported(document)) != row["digest"]
