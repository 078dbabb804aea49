"""One prep of two versions of it, both changed since they were one: joined by the ids of its rows. Pure."""

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from shimwise.bench.exchange.sync_plan import FieldDifference, WaitingCause, Way, differences
from shimwise.bench.exchange.sync_report import SyncNotice
from shimwise.record.tables.columns import json_text

SIGNED = "signed"
TAKEN = ("readings", "gauges", "sweeps")
"""What may be withdrawn."""
ROWS = ("setups", *TAKEN, "adjustments")
_WITHDRAWN = ("withdrawn_at", "withdrawn_by", "withdrawn_reason")
_STATE = ("state", "closed_at", "closed_by")
_COUNTED = frozenset({"id", "revision", "body_ids", "lens_ids"})
Document = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """A prep as both sides are to have it.

    ``beside``: a prep that takes what the side ``lost_by`` had and a signed version has not.
    ``cause`` and ``fields``: why there is none, and a person has to choose.
    """

    document: Document | None = None
    beside: Document | None = None
    lost_by: Way = Way.NONE
    notices: tuple[SyncNotice, ...] = ()
    cause: WaitingCause | None = None
    fields: tuple[FieldDifference, ...] = ()


def merged(here: Document, home: Document, *, base: Mapping[str, Any] | None, keep: Way | None) -> Merged:
    """Join two versions of a prep.

    Parameters
    ----------
    here, home : mapping
        The versions, ``shimwise.prep/1``.
    base : mapping or None
        The prep's own fields when both were one.
    keep : Way or None
        The side whose fields are taken where both changed one.
    """
    if SIGNED in (here["prep"]["state"], home["prep"]["state"]):
        return _signed(here, home)
    return _joined(here, home, base, keep)


def _signed(here: Document, home: Document) -> Merged:
    """Return the signed version: over an open one, and over one whose signatures it has too."""
    versions = {Way.HERE: here, Way.HOME: home}
    signs = {way: {row["id"] for row in one["sign_offs"]} for way, one in versions.items()}
    for way, other in ((Way.HOME, Way.HERE), (Way.HERE, Way.HOME)):
        is_over = versions[other]["prep"]["state"] != SIGNED or signs[way] > signs[other]
        if versions[way]["prep"]["state"] == SIGNED and is_over and signs[way] >= signs[other]:
            beside = beside_of(versions[other], versions[way], side=other)
            changed = differences(_fields(here), _fields(home))
            values: dict[str, Any] = {
                "side": str(other),
                "fields": [one.field for one in changed if one.field not in _STATE],
            }
            if beside is not None:
                values |= {"title": beside["prep"]["title"], "id": beside["prep"]["id"]}
                values |= {name: len(beside[name]) for name in TAKEN}
            notice = SyncNotice(code="signed_stands", values=values)
            return Merged(document=versions[way], beside=beside, lost_by=other, notices=(notice,))
    return Merged(cause=WaitingCause.SIGNED_BOTH)


def beside_of(lost: Document, signed: Document, *, side: Way) -> Document | None:
    """Return a prep of what one version has and the other has not; None if there is nothing.

    Its id follows from the rows, so that the same is made again after a break.
    """
    known = {name: {row["id"] for row in signed[name]} for name in ROWS}
    rows = {name: [row for row in lost[name] if row["id"] not in known[name]] for name in ROWS}
    ids = sorted(row["id"] for found in rows.values() for row in found)
    if not ids:
        return None
    prep = lost["prep"]
    own_id = _derived(prep["id"], *ids)
    used = {row["setup_id"] for name in ("readings", "sweeps") for row in rows[name]} & known["setups"]
    copies = {id_: _derived(own_id, id_) for id_ in sorted(used)}
    copied = [{**row, "id": copies[row["id"]]} for row in lost["setups"] if row["id"] in copies]

    def moved(row: Mapping[str, Any]) -> dict[str, Any]:
        setup = {"setup_id": copies.get(row["setup_id"], row["setup_id"])} if "setup_id" in row else {}
        return {**row, "prep_id": own_id, **setup}

    placed = {name: [moved(row) for row in found] for name, found in rows.items()}
    placed["setups"] += [moved(row) for row in copied]
    placed["readings"] = [{**row, "seq": number} for number, row in enumerate(placed["readings"], start=1)]
    word = "as it was here" if side is Way.HERE else "as it was at home"
    row = {
        **prep,
        "id": own_id,
        "title": f"{prep['title']} ({word})".strip(),
        "state": "open",
        "closed_at": None,
        "closed_by": "",
    }
    return {**lost, **placed, "prep": row, "verdicts": [], "sign_offs": [], "journal": []}


def _joined(here: Document, home: Document, base: Mapping[str, Any] | None, keep: Way | None) -> Merged:
    row, wrong = _fields_joined(_fields(here), _fields(home), base, keep)
    notices: list[SyncNotice] = []
    lists: dict[str, list[dict[str, Any]]] = {}
    for name in ROWS:
        lists[name], more = _rows_joined(name, here[name], home[name], notices)
        wrong += more
    if wrong:
        return Merged(cause=WaitingCause.CHANGED_BOTH, fields=tuple(wrong))
    numbers = {one["id"]: one["seq"] for one in here["readings"]}
    lists["readings"] = [{**one, "seq": number} for number, one in enumerate(lists["readings"], start=1)]
    moved = [one for one in lists["readings"] if numbers.get(one["id"], one["seq"]) != one["seq"]]
    if moved:
        was, now = numbers[moved[0]["id"]], moved[0]["seq"]
        notices.append(SyncNotice(code="renumbered", values={"count": len(moved), "was": was, "now": now}))
    units = {name: _units_joined(here[name], home[name]) for name in ("bodies", "lenses")}
    row |= {name: list(dict.fromkeys((*home["prep"][name], *here["prep"][name]))) for name in _UNIT_IDS}
    row["revision"] = max(here["prep"]["revision"], home["prep"]["revision"]) + 1
    document = {
        **home,
        **lists,
        **units,
        "prep": {**home["prep"], **row},
        "set": here["set"] if row["set_id"] == here["prep"]["set_id"] else home["set"],
        "verdicts": sorted(_by_id(home["verdicts"], here["verdicts"]), key=_given),
        "sign_offs": sorted(_by_id(home["sign_offs"], here["sign_offs"]), key=_signed_at),
        "journal": _journal_joined(here["journal"], home["journal"]),
    }
    return Merged(document=document, notices=tuple(notices))


_UNIT_IDS = ("body_ids", "lens_ids")


def _fields(document: Document) -> dict[str, Any]:
    return {name: value for name, value in document["prep"].items() if name not in _COUNTED}


def _fields_joined(
    here: Mapping[str, Any], home: Mapping[str, Any], base: Mapping[str, Any] | None, keep: Way | None
) -> tuple[dict[str, Any], list[FieldDifference]]:
    """Join the prep's own fields: what one side changed is taken; its state goes with when it was closed."""
    found, wrong = dict(home), []
    for names in (_STATE, *((name,) for name in home if name not in _STATE)):
        mine, its = ([one[name] for name in names] for one in (here, home))
        if mine == its:
            continue
        before = None if base is None else [base.get(name) for name in names]
        if its == before or (mine != before and keep is Way.HERE):
            found.update(zip(names, mine, strict=True))
        elif mine != before and keep is None:
            wrong.append(FieldDifference(field=names[0], here=mine[0], home=its[0]))
    return found, wrong


def _rows_joined(
    name: str, here: Sequence[Mapping[str, Any]], home: Sequence[Mapping[str, Any]], notices: list[SyncNotice]
) -> tuple[list[dict[str, Any]], list[FieldDifference]]:
    """Join rows by their ids, those of home first: its numbers stay."""
    mine = {row["id"]: row for row in here}
    found, wrong = [], []
    for row in home:
        other = mine.pop(row["id"], row)
        joined = dict(row)
        if name in TAKEN:
            _join_withdrawn(name, joined, other, notices)
        if name == "readings":
            _join_notes(joined, other, notices)
        own = {"seq", "note", *_WITHDRAWN} if name in TAKEN else set()
        for one in differences(other, row):
            if one.field not in own or (one.field == "note" and name != "readings"):
                field_name = f"{name}.{row['id'][:8]}.{one.field}"
                wrong.append(FieldDifference(field=field_name, here=one.here, home=one.home))
        found.append(joined)
    return [*found, *(dict(row) for row in here if row["id"] in mine)], wrong


def _join_withdrawn(
    name: str, joined: dict[str, Any], other: Mapping[str, Any], notices: list[SyncNotice]
) -> None:
    own, its = ([one[part] for part in _WITHDRAWN] for one in (joined, other))
    if own == its:
        return
    withdrawn = joined if joined["withdrawn_at"] is not None else other
    joined.update({part: withdrawn[part] for part in _WITHDRAWN})
    values = {"what": name, "number": joined.get("seq"), "by": withdrawn["withdrawn_by"]}
    notices.append(SyncNotice(code="withdrawn", values={**values, "reason": withdrawn["withdrawn_reason"]}))


def _join_notes(joined: dict[str, Any], other: Mapping[str, Any], notices: list[SyncNotice]) -> None:
    own, its = joined["note"], other["note"]
    if own == its:
        return
    joined["note"] = " / ".join(dict.fromkeys(one for one in (own, its) if one))
    notices.append(SyncNotice(code="notes_joined", values={"number": joined["seq"], "note": joined["note"]}))


def _units_joined(
    here: Sequence[Mapping[str, Any]], home: Sequence[Mapping[str, Any]]
) -> list[Mapping[str, Any]]:
    """Return the units of both, each in the epoch that is further on."""
    found = {row["id"]: row for row in home}
    for row in here:
        if row["id"] not in found or found[row["id"]]["epoch"] < row["epoch"]:
            found[row["id"]] = row
    return list(found.values())


def _by_id(home: Sequence[Mapping[str, Any]], here: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    return list({row["id"]: row for row in (*here, *home)}.values())


def _given(row: Mapping[str, Any]) -> tuple[int, str, str]:
    return row["revision"], row["given_at"], row["id"]


def _signed_at(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["signed_at"], row["id"]


def _journal_joined(here: Sequence[Any], home: Sequence[Any]) -> list[Any]:
    known = Counter(json_text(line) for line in home)
    more = []
    for line in here:
        key = json_text(line)
        if known[key]:
            known[key] -= 1
        else:
            more.append(line)
    return [*home, *more]


def _derived(*parts: str) -> str:
    return hashlib.sha256(" ".join(parts).encode()).hexdigest()[:32]
