"""The state of a prep that travels in a file: as signed, altered, older, unknown, not signed.

The file alone shows only whether it agrees with itself. Whether it is what was signed, only the record of the
house shows: whoever changes a file can sign it anew.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from shimwise.house_keys import KnownKey
from shimwise.sheets.papers.signed.canonical_json import digest_words
from shimwise.sheets.papers.signed.differences import differences
from shimwise.sheets.papers.signed.prep_document import PrepDocument
from shimwise.sheets.papers.signed.rows_words import moment_words, text_of
from shimwise.sheets.papers.signed.seal import Vouched, Voucher, look_at_seal
from shimwise.sheets.words.shared import capital, plain


class State(StrEnum):
    """The state of a prep on a sheet.

    ``page_altered``: the prep is as signed, the page was altered or not made by a house that is known here;
    ``page_not_signed``: the prep is as signed, and the page cannot be checked, as on sheets of 0.1 and
    0.2; ``not_sealed``: it agrees with itself, and no house's key vouches for it, as before 0.3;
    ``other_house``: a house that is not known here sealed it; ``older``: what was signed, but the prep was
    reopened since; ``unknown``: it agrees with itself, and the house does not know its prep.
    """

    AS_SIGNED = "as_signed"
    ALTERED = "altered"
    PAGE_ALTERED = "page_altered"
    PAGE_NOT_SIGNED = "page_not_signed"
    NOT_SEALED = "not_sealed"
    OTHER_HOUSE = "other_house"
    OLDER = "older"
    UNKNOWN = "unknown"
    NOT_SIGNED = "not_signed"


_IN_0_1 = {
    State.PAGE_ALTERED: State.ALTERED,
    **dict.fromkeys((State.PAGE_NOT_SIGNED, State.NOT_SEALED, State.OTHER_HOUSE), State.UNKNOWN),
}
_IS_SIGNED = "The prep is what was signed."
_SENTENCES = {
    State.AS_SIGNED: "{title} is what {by} signed on {at}.",
    State.ALTERED: "{title} is not what was signed: it was altered.",
    State.PAGE_ALTERED: "{title}: the prep is what {by} signed on {at}, but the page was altered or not "
    "made by a house that is known here. Do not go by what is printed.",
    State.PAGE_NOT_SIGNED: "{title}: the prep is what {by} signed on {at}; the page was made before pages "
    "were signed and is not compared. Print it anew.",
    State.NOT_SEALED: "{title} is what {by} signed on {at} by its digest, but no house's key vouches for "
    "that: it was signed before signatures had keys, or the seal was taken off.",
    State.OTHER_HOUSE: "{title} was signed by {by} on {at}, at a house that is not known here.",
    State.OLDER: "{title} is what {by} signed on {at}, but was reopened since: this one no longer counts.",
    State.UNKNOWN: "{title} is not known to this house; only the house that signed it can vouch for it.",
    State.NOT_SIGNED: "{title} is not signed.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """The result of verifying one prep of a file.

    Attributes
    ----------
    standing : State
        The answer.
    words : tuple of str
        Why, in sentences.
    differing : tuple of str
        Where it differs from what was signed, in sentences; empty if it does not, or that is not known.
    is_known : bool
        Whether the record holds its prep.
    voucher : Voucher
        Whose key vouches for it.
    """

    prep_id: str
    title: str
    standing: State
    digest: str
    signed_by: str
    signed_at: str
    words: tuple[str, ...]
    differing: tuple[str, ...] = ()
    is_known: bool = False
    voucher: Voucher = Voucher(Vouched.NONE)  # noqa: RUF009 - a frozen value

    @property
    def digest_words(self) -> str:
        """The digest in groups, to be compared by eye."""
        return digest_words(self.digest)

    @property
    def state(self) -> State:
        """The answer in the five words of version 0.1: programs of then know no others."""
        return _IN_0_1.get(self.standing, self.standing)

    @property
    def sentence(self) -> str:
        """The answer in one sentence."""
        by, at = self.signed_by or "nobody known", self.signed_at or "an unknown day"
        return _SENTENCES[self.standing].format(title=self.title, by=by, at=at)


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptSignature:
    """A signature as the record keeps it.

    Attributes
    ----------
    signed_at : str
        ISO 8601.
    is_standing : bool
        Whether the prep has not been opened again since.
    document : mapping or None
        What was signed; None if it was not kept.
    taken_in : str
        If it was signed elsewhere, who took it in and when, in words; else empty.
    """

    digest: str
    revision: int
    signed_by: str
    signed_at: str
    is_standing: bool
    document: Mapping[str, Any] | None
    taken_in: str = ""


Recorded = Callable[[str], Sequence[KeptSignature] | None]
"""Returns for a prep's id its signatures in the record, oldest first; None for an unknown prep."""


def find_in_prep(
    prep: PrepDocument, *, known: Sequence[KnownKey] = (), recorded: Recorded | None = None
) -> Finding:
    """Return whether a prep is what was signed.

    Parameters
    ----------
    prep : PrepDocument
        The prep.
    known : sequence of KnownKey
        Keys of the houses that are known here.
    recorded : callable, optional
        Returns what the record keeps; without it the file alone is checked.
    """
    alone = _by_seal(_alone(prep), prep, known)
    if recorded is None:
        return alone
    kept = recorded(alone.prep_id)
    if kept is None:
        return _unknown(alone)
    alone = replace(alone, is_known=True)
    if alone.standing is State.NOT_SIGNED:
        return alone
    same = next((one for one in kept if one.digest == prep.digest), None)
    if same is not None:
        return _known(alone, same, kept[-1])
    house = alone.voucher.house
    if alone.standing is State.AS_SIGNED and house is not None and house.is_own:
        return replace(alone, words=(*alone.words, _RECORD_CHANGED))
    return _altered(alone, prep, kept)


_RECORD_CHANGED = (
    "The record of this house holds another signature in its place: the record was changed, not this file. "
    "Run shimwise check."
)
_NO_SEAL = (
    "No house's key vouches for it: it was signed before signatures had keys, or the seal was taken off."
)


def _by_seal(alone: Finding, prep: PrepDocument, known: Sequence[KnownKey]) -> Finding:
    """Return what becomes of a prep that agrees with itself by the seal under its signature."""
    if alone.standing is not State.AS_SIGNED:
        return alone
    voucher = look_at_seal(prep.sign_off or {}, prep_id=alone.prep_id, known=known)
    alone = replace(alone, voucher=voucher)
    match voucher.vouched:
        case Vouched.BROKEN:
            words = "The house's seal does not hold: who signed it, when, or what was signed is another."
            return replace(alone, standing=State.ALTERED, words=(words,))
        case Vouched.NONE:
            return replace(alone, standing=State.NOT_SEALED, words=(*alone.words, _NO_SEAL))
        case Vouched.STRANGER:
            words = f"It was sealed with the key {voucher.fingerprint}, which is not known here."
            return replace(alone, standing=State.OTHER_HOUSE, words=(words,))
    house = voucher.house
    elsewhere = [] if house is None or house.is_own else [f"It was signed at {house.words}."]
    return replace(alone, words=(*alone.words, *elsewhere))


def _alone(prep: PrepDocument) -> Finding:
    """Return what the file alone shows."""
    row = prep.sign_off or {}
    state, words = State.AS_SIGNED, _IS_SIGNED
    differing: tuple[str, ...] = ()
    if not row:
        state, words = State.NOT_SIGNED, "Nobody has signed this prep."
    elif prep.is_reopened:
        state, words = State.NOT_SIGNED, "The prep was signed, and opened again since."
    elif not prep.is_signed:
        digests = f"begins {prep.digest[:16]}, that of the signature {plain(str(row['digest']))[:16]}"
        state, words = State.ALTERED, f"The prep is not what was signed: its digest {digests}."
        differing = _differing(prep, signed_in(row))
    return Finding(
        prep_id=str(prep.prep.get("id") or ""),
        title=plain(prep.title),
        standing=state,
        digest=prep.digest,
        signed_by=text_of(row, "signed_by"),
        signed_at=moment_words(row["signed_at"]) if row.get("signed_at") else "",
        words=(words,),
        differing=differing,
    )


def _differing(prep: PrepDocument, signed: Mapping[str, Any] | None) -> tuple[str, ...]:
    return () if signed is None else differences(prep.content, signed)


def signed_in(row: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return what was signed if a sign-off's row carries it and its digest is over it; else None."""
    text = row.get("signed_json")
    if not isinstance(text, str):
        return None
    if hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest() != row.get("digest"):
        return None
    signed: Mapping[str, Any] = json.loads(text)
    return signed


def _unknown(alone: Finding) -> Finding:
    none = "the record of this house holds no such prep."
    if alone.standing is State.AS_SIGNED:
        since = "Whether it was reopened since, only the house that signed it can tell."
        return replace(alone, words=(*alone.words, capital(none), since))
    if alone.standing is State.NOT_SEALED:
        return replace(alone, standing=State.UNKNOWN, words=(f"The file agrees with itself; {none}",))
    return replace(alone, words=(*alone.words, capital(none)))


def _known(alone: Finding, same: KeptSignature, newest: KeptSignature) -> Finding:
    if same.is_standing:
        return replace(alone, words=(*alone.words, *([same.taken_in] if same.taken_in else [])))
    now = "nobody has signed it again"
    if newest.is_standing:
        by, at = plain(newest.signed_by), moment_words(newest.signed_at)
        now = f"revision {newest.revision} stands, signed by {by} on {at}"
    words = (f"This is revision {same.revision}. The prep was reopened since, and {now}.",)
    return replace(alone, standing=State.OLDER, words=words)


def _altered(alone: Finding, prep: PrepDocument, kept: Sequence[KeptSignature]) -> Finding:
    """Compare it with the signature that it claims, else with the newest."""
    others = "The signature in the file is not the record's: the record"
    if not kept:
        return replace(alone, standing=State.ALTERED, words=(f"{others} has no signature of this prep.",))
    row = prep.sign_off or {}
    claimed = [one for one in kept if one.digest == row.get("digest") or one.revision == row.get("revision")]
    nearest = (claimed or list(kept))[-1]
    is_signed = alone.standing in (State.AS_SIGNED, State.NOT_SEALED, State.OTHER_HOUSE)
    words = (f"{others}'s begins {nearest.digest[:16]}.",) if is_signed else alone.words
    return replace(alone, standing=State.ALTERED, words=words, differing=_differing(prep, nearest.document))
