"""Signing a prep: every unit decided or excepted in writing, frozen from then on, opened again with a reason.

The signature is the digest of the prep's canonical JSON together with who signed, when and over what
(:mod:`shimwise.sheets.papers.signed.canonical_json`). It shows a change; the house's seal under it
(:mod:`shimwise.sheets.papers.signed.seal`) shows that this house signed it. Who pressed the key is a name.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from shimwise.bench.access.accounts import LEADS_KEY, change_leads_in, leads_in
from shimwise.bench.access.acting import Actor, Who, changing, permitted
from shimwise.bench.access.roles import Act
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.prep.prep_data import PrepMaterial, material_of
from shimwise.bench.prep.states import OPEN, SIGNED
from shimwise.bench.prep.views import PrepView
from shimwise.bench.sign.open_units import open_units
from shimwise.bench.sign.views import ExceptionView, SignOffView, Undecided
from shimwise.bench.typed_names import id_or_new, typed_name
from shimwise.bench.verdict.verdict import current_verdict
from shimwise.fields import build_from
from shimwise.house_keys import HouseKey, house_key
from shimwise.inference.history.house_memory import HouseMemory
from shimwise.record.exchange import prep_json
from shimwise.record.exchange.row_json import row_to_json
from shimwise.record.names import name_key
from shimwise.record.queries import epochs, verdicts
from shimwise.record.queries import preps as kept
from shimwise.record.queries import settings as kept_settings
from shimwise.record.queries.lookups import prep_state
from shimwise.record.record import Change, Connection, Record
from shimwise.record.tables.rows import SignOffRow
from shimwise.sheets.words.shared import listed

MOST_LEADS = 50
SHOWN = 6


@dataclass(frozen=True, slots=True)
class Exempt:
    """Why a unit goes out undecided, and who answers for it (empty: the one who signs)."""

    reason: str
    name: str = ""


def undecided(record: Record, prep_id: str, *, as_set: bool = False) -> tuple[Undecided, ...]:
    """Return the units that prevent a signature by the latest verdict; :func:`sign` judges first.

    ``as_set``: whether bodies and lenses are to be signed together.
    """
    with record.reading() as connection:
        return open_units(connection, material_of(connection, prep_id), as_set=as_set)


def sign(
    record: Record,
    prep_id: str,
    *,
    who: Who,
    exceptions: Mapping[str, Exempt] | None = None,
    remaining: Exempt | None = None,
    as_set: bool = False,
    id: str | None = None,  # noqa: A002 - the word that the interface uses too
) -> SignOffView:
    """Sign a prep: judge it, then freeze it; its units' errors become their history.

    What the house learns from it takes longer, and is done once the signature was answered
    (:func:`shimwise.bench.verdict.teaching.learn_after_signature`).

    Parameters
    ----------
    record : Record
        Where it is kept.
    prep_id : str
        Which prep.
    who : str
        Who signs.
    exceptions : mapping of str to Exempt, optional
        By the id of each unit that goes out undecided: why, and who answers for it.
    remaining : Exempt, optional
        The same for all other units that are undecided.
    as_set : bool
        Sign bodies and lenses together: it is decided where each lens lands on each body, though their errors
        may not be parted.
    id : str, optional
        Made by the client: the same signature sent twice is one.

    Raises
    ------
    InputError
        When an exception lacks its reason, or names a unit that is not of the prep or needs none.
    NotFound
        When there is no such prep.
    HouseKeyError
        When the house's key cannot be used.
    Conflict
        When it is signed already, a unit is undecided, an adjustment is not finished, there is nothing to
        judge, or the prep changes meanwhile.
    """
    person, sign_off_id = permitted(who, Act.SIGN), id_or_new(id)
    with record.reading() as connection:
        before = _kept(connection, prep_id, sign_off_id)
        if before is not None:
            return before
        _refuse_signed(connection, prep_id)
    key = house_key()
    judged = current_verdict(record, prep_id)
    memory = _memory_after(record, prep_id)
    with changing(record, who, Act.SIGN) as change:
        _refuse_signed(change.connection, prep_id)
        material = material_of(change.connection, prep_id)
        _refuse_stale(material, judged_revision=judged.revision)
        _refuse_unfinished(change.connection, material)
        found = open_units(change.connection, material, as_set=as_set)
        wanted = dict.fromkeys((unit.unit_id for unit in found), remaining) if remaining else {}
        excepted = _checked(material, found, {**wanted, **(exceptions or {})}, person)
        row = _write(change, material, sign_off_id, excepted, key, as_set=as_set)
        _remember(change, material, memory)
        return _view(row, is_standing=True)


def sign_offs(record: Record, prep_id: str) -> tuple[SignOffView, ...]:
    """Return the signatures of a prep, oldest first, also those before it was opened again."""
    with record.reading() as connection:
        material = material_of(connection, prep_id)
        rows = verdicts.sign_offs(connection, prep_id)
    is_signed = material.prep.state == SIGNED
    return tuple(_view(row, is_standing=is_signed and row is rows[-1]) for row in rows)


def reopen(record: Record, prep_id: str, *, reason: str, who: Who) -> PrepView:
    """Open a signed (or closed) prep again: its signature stays in the record, it gets a new revision.

    Raises
    ------
    InputError
        If no reason is given.
    Conflict
        If it is open; or signed, in a house without a keeper, and ``who`` neither signed it nor is a lead.
    NotAllowed, PersonNeeded, PinNeeded
        If the role does not allow it.
    """
    from shimwise.bench.prep.preps import open_prep
    from shimwise.bench.verdict.histories import forget_prep

    permitted(who, Act.PREP)
    why = typed_name(reason, field="reason")
    with changing(record, who, Act.PREP) as change:
        before = prep_state(change.connection, prep_id).state
        if before == OPEN:
            raise Conflict("This prep is open already: there is nothing to reopen.", kind="prep", id=prep_id)
        row = verdicts.latest_sign_off(change.connection, prep_id) if before == SIGNED else None
        if before == SIGNED:
            _refuse_without_right(change.connection, prep_id, row, who)
        opened = kept.change_state(change, prep_id, OPEN)
        epochs.settle(change, prep_id)
        detail = {"reason": why, "sign_off_id": row.id if row else "", "revision": opened.revision}
        change.note(f"{before} prep reopened", prep_id=prep_id, detail=detail)
        if before == SIGNED:
            forget_prep(change, prep_id)
    return open_prep(record, prep_id)


def leads(record: Record) -> tuple[str, ...]:
    """Return the names of those who may open any signed prep again."""
    with record.reading() as connection:
        return leads_in(connection)


def change_leads(record: Record, *, names: Iterable[str], who: Who) -> tuple[str, ...]:
    """Name the leads, and return them.

    In a house without a keeper anybody may while there are none, from then on only one of them. In one with a
    keeper it changes the roles of its people; a keeper is a lead anyway.

    Raises
    ------
    InputError
        When a name cannot be one, or there are too many.
    Conflict
        When ``who`` is no lead, in a house without a keeper.
    NotFound
        When one of them is nobody of the house, in one with a keeper.
    """
    person = permitted(who, Act.LEADS)
    wanted = tuple({name_key(name): typed_name(name, field="names") for name in names}.values())
    if len(wanted) > MOST_LEADS:
        raise InputError(f"are {len(wanted)}; at most {MOST_LEADS} are kept.", field="names")
    with changing(record, who, Act.LEADS) as change:
        if isinstance(who, Actor):
            change_leads_in(change, wanted)
            change.note("leads changed", detail={"names": list(wanted)})
            return leads_in(change.connection)
        known = leads_in(change.connection)
        if known and name_key(person) not in map(name_key, known):
            raise Conflict(
                f"Only a lead changes who the leads are: {listed(known, most=SHOWN)}. Ask one of them.",
                kind="setting",
                id=LEADS_KEY,
            )
        kept_settings.change_setting(change, LEADS_KEY, list(wanted) or None)
        change.note("leads changed", detail={"names": list(wanted)})
    return wanted


def _kept(connection: Connection, prep_id: str, sign_off_id: str) -> SignOffView | None:
    """Return the signature that was sent before under this id."""
    rows = verdicts.sign_offs(connection, prep_id)
    row = next((one for one in rows if one.id == sign_off_id), None)
    if row is None:
        return None
    material = material_of(connection, prep_id)
    return _view(row, is_standing=material.prep.state == SIGNED and row is rows[-1])


def _refuse_signed(connection: Connection, prep_id: str) -> None:
    if prep_state(connection, prep_id).state != SIGNED:
        return
    row = verdicts.latest_sign_off(connection, prep_id)
    by = f" by {row.signed_by}" if row else ""
    raise Conflict(
        f"This prep is signed already{by}. To change it, reopen it with a reason.", kind="prep", id=prep_id
    )


def _refuse_stale(material: PrepMaterial, *, judged_revision: int) -> None:
    if judged_revision != material.prep.revision:
        raise Conflict(
            "The prep was changed while it was being signed. Look at it again, then sign.",
            kind="prep",
            id=material.prep.id,
        )


def _refuse_unfinished(connection: Connection, material: PrepMaterial) -> None:
    from shimwise.bench.adjust.guide import unfinished_in

    names = [view.unit for view in unfinished_in(connection, material)]
    if names:
        raise Conflict(
            f"The adjustment of {listed(names, most=SHOWN)} is not finished. Finish it or give it up first.",
            kind="prep",
            id=material.prep.id,
        )


def _refuse_without_right(connection: Connection, prep_id: str, row: SignOffRow | None, who: Who) -> None:
    if isinstance(who, Actor):
        is_own = row is not None and who.is_person and name_key(row.signed_by) == name_key(who.name)
        permitted(who, Act.REOPEN_OWN if is_own else Act.REOPEN)
        return
    person = who
    allowed = {name_key(name) for name in leads_in(connection)}
    if row is not None:
        allowed.add(name_key(row.signed_by))
    if name_key(person) not in allowed:
        by = row.signed_by if row else "nobody known"
        raise Conflict(
            f"{person} may not reopen this prep: {by} signed it. Ask {by} or a lead to reopen it.",
            kind="prep",
            id=prep_id,
        )


def _checked(
    material: PrepMaterial,
    undecided: tuple[Undecided, ...],
    exceptions: Mapping[str, Exempt],
    person: str,
) -> tuple[dict[str, Any], ...]:
    """Return the exceptions as they are kept; raise if a unit needs one, or has one without need."""
    names = {unit.id: unit.name for unit in material.units}
    open_ids = {unit.unit_id for unit in undecided}
    rows = []
    for unit_id, exempt in exceptions.items():
        if unit_id not in names:
            raise InputError("is no unit of this prep.", field="exceptions", typed=unit_id)
        if unit_id not in open_ids:
            raise InputError(
                f"{names[unit_id]} is decided and needs no exception. Leave it away.",
                field="exceptions",
                typed=names[unit_id],
            )
        reason = typed_name(exempt.reason, field="reason")
        name = typed_name(exempt.name or person, field="name")
        rows.append({"unit_id": unit_id, "unit": names[unit_id], "reason": reason, "name": name})
    missing = [unit for unit in undecided if unit.unit_id not in exceptions]
    if missing:
        named = " ".join(unit.words for unit in missing[:SHOWN])
        more = f" And {len(missing) - SHOWN} more." if len(missing) > SHOWN else ""
        raise Conflict(
            f"Not every unit is decided. {named}{more} Read on, or write down for each why it goes out as it "
            "is, and who answers for it.",
            kind="prep",
            id=material.prep.id,
        )
    return tuple(rows)


def _write(
    change: Change,
    material: PrepMaterial,
    sign_off_id: str,
    exceptions: tuple[dict[str, Any], ...],
    key: HouseKey,
    *,
    as_set: bool,
) -> SignOffRow:
    from shimwise.bench.sign.sealing import seal_of
    from shimwise.bench.sign.signed import with_signature

    prep_id = material.prep.id
    signed = kept.change_state(change, prep_id, SIGNED)
    row = SignOffRow(
        id=sign_off_id,
        prep_id=prep_id,
        revision=signed.revision,
        signed_by=change.who,
        signed_at=change.at,
        digest="",
        exceptions=exceptions,
        as_set=as_set or None,
    )
    document = prep_json.export_prep(change.connection, prep_id)
    digest, text = with_signature(document, row_to_json(row))
    row = replace(row, digest=digest, signed_json=text)
    return verdicts.add_sign_off(change, replace(row, seal=seal_of(change.connection, row, key)))


def _memory_after(record: Record, prep_id: str) -> HouseMemory | None:
    """Return the memory after the prep, computed before the record is locked: it takes a while."""
    from shimwise.bench.verdict.prep_memory import after_prep

    with record.reading() as connection:
        return after_prep(connection, material_of(connection, prep_id))


def _remember(change: Change, material: PrepMaterial, memory: HouseMemory | None) -> None:
    from shimwise.bench.verdict.histories import remember_prep
    from shimwise.bench.verdict.prep_memory import after_prep
    from shimwise.record.queries.memories import newest_seq

    if memory is not None and memory.seq != newest_seq(
        change.connection
    ):  # another prep was signed meanwhile
        memory = after_prep(change.connection, material)
    remember_prep(change, material, memory)


def _view(row: SignOffRow, *, is_standing: bool) -> SignOffView:
    from shimwise.sheets.papers.signed.canonical_json import digest_words

    return build_from(
        SignOffView,
        row,
        digest_words=digest_words(row.digest),
        exceptions=tuple(ExceptionView(**one) for one in row.exceptions),
        is_standing=is_standing,
        as_set=bool(row.as_set),
    )
