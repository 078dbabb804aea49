"""Sync with home: what this machine did goes home, what it needs is taken along, and each is reported.

Each unit, set and prep is a transaction of its own on either side, and whatever is done is found done by the
next run: so a sync may be broken off at any moment and run again.
"""

# ruff: noqa: ANN401 - a value of JSON is of any kind

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from shimwise.bench.access.acting import Who, changing
from shimwise.bench.access.roles import Act
from shimwise.bench.desk.inputs import Progress
from shimwise.bench.errors import Conflict
from shimwise.bench.exchange.sync_merge import merged
from shimwise.bench.exchange.sync_plan import (
    CLOCK_S,
    UNITS,
    Keep,
    SyncPlan,
    SyncStep,
    Waiting,
    WaitingCause,
    Way,
    adjusted_twice,
    differences,
    in_order,
    is_uncertain,
    plan,
)
from shimwise.bench.exchange.sync_report import SCHEMA, AtHome, Synced, SyncNotice, SyncReport
from shimwise.bench.exchange.sync_settings import take_people, take_settings
from shimwise.bench.exchange.sync_side import Compared, RecordSide, Side, SyncHead, put_unit_in
from shimwise.errors import ShimwiseError
from shimwise.fields import build_from
from shimwise.record import journal
from shimwise.record.errors import StoreError
from shimwise.record.exchange import sync_rows
from shimwise.record.exchange.prep_json import export_prep
from shimwise.record.exchange.sync_rows import Entry
from shimwise.record.migrations import HEAD
from shimwise.record.queries import settings as kept_settings
from shimwise.record.queries import sync_marks
from shimwise.record.record import Change, Record
from shimwise.record.tables.rows import SyncMarkRow

HOME_KEY = "home"
"""Setting: the home of this machine, and when it was there last."""
ROUNDS = 3
"""Comparisons at most, while something is changed by others meanwhile."""


def at_home(record: Record) -> AtHome | None:
    """Return when a machine was at home last; None for one that never was away."""
    with record.reading() as connection:
        kept = kept_settings.setting(connection, HOME_KEY)
        if not kept or not kept.get("at"):
            return None
        changed = sync_marks.changed_preps(connection)
    return AtHome(home=kept["name"], at=datetime.fromisoformat(kept["at"]), to_bring=changed)


def last_home(record: Record) -> tuple[str, str]:
    """Return the address of the home that this machine was at last, and the file of its own certificate.

    Either is empty if there is none.
    """
    with record.reading() as connection:
        kept = kept_settings.setting(connection, HOME_KEY) or {}
    return str(kept.get("address", "")), str(kept.get("certificate", ""))


def sync(
    record: Record,
    home: Side,
    *,
    who: Who,
    address: str,
    machine: str,
    certificate: str = "",
    keep: Keep | None = None,
    is_dry_run: bool = False,
    progress: Progress | None = None,
) -> SyncReport:
    """Bring what this machine did home, and take along what it needs.

    Parameters
    ----------
    record : Record
        Of this machine.
    home : Side
        Its home.
    address : str
        Of home, without a secret; kept for the next time.
    machine : str
        This machine, as the journal of home names it.
    certificate : str
        The file of home's own certificate, kept for the next time; empty if it has none of its own.
    keep : Keep, optional
        What a person chose where both sides changed.
    is_dry_run : bool
        Whether nothing is written on either side.

    Raises
    ------
    Conflict
        If home is of another version, or this very record.
    StoreError
        If either record cannot be read or written any more; what went stays where it went.
    """
    run = _Run(record, home, who=who, keep=keep or Keep(), is_dry_run=is_dry_run, progress=progress)
    return run.whole(address=address, machine=machine, certificate=certificate)


class _Run:
    """One sync, as it goes on."""

    def __init__(
        self,
        record: Record,
        home: Side,
        *,
        who: Who,
        keep: Keep,
        is_dry_run: bool,
        progress: Progress | None,
    ) -> None:
        self.record, self.home, self.who, self.keep = record, home, who, keep
        self.here = RecordSide(record, who=who, is_home=False, machine=home.name)
        self.is_dry_run, self.progress = is_dry_run, progress
        self.done: dict[str, Synced] = {}
        self.notices: list[SyncNotice] = []

    def whole(self, *, address: str, machine: str, certificate: str) -> SyncReport:
        head, off_s = self._heads()
        if not self.is_dry_run:
            self._at_this_home(head, address=address, machine=machine, certificate=certificate)
        if abs(off_s) > CLOCK_S:
            self._add_notice("clock", values={"off_s": off_s})
        waiting: tuple[Waiting, ...] = ()
        mine, its = self._compared()
        for name in self.keep.strangers((*mine.entries, *its.entries)):
            self._add_notice("keep_unknown", name, values={})
        for number in range(ROUNDS):
            if number:
                mine, its = self._compared()
            ordered = self._order_epochs(mine, its, off_s)
            if ordered and not self.is_dry_run:
                mine, its = self._compared()
            found = plan(mine.entries, its.entries, self._marks(), keep=self.keep, ordered=ordered)
            refused = self._steps(found)
            waiting = (*found.waiting, *refused)
            if self.is_dry_run or not refused:
                break
        self._take_along(its, waiting=waiting, ordered=ordered)
        if not self.is_dry_run:
            self._arrived(head)
        return SyncReport(
            schema=SCHEMA,
            home=self.home.name,
            is_dry_run=self.is_dry_run,
            at=self.record.clock(),
            clock_off_s=off_s,
            done=tuple(self.done.values()),
            waiting=waiting,
            notices=tuple(self.notices),
        )

    def _heads(self) -> tuple[SyncHead, float]:
        """Return home's head, and by how much its clock is ahead. [s]"""
        own = self.here.head(is_dry_run=True)
        before = self.record.clock()
        head = self.home.head(is_dry_run=self.is_dry_run)
        after = self.record.clock()
        if head.tables != HEAD:
            raise Conflict(
                f"Home has the version {head.version} with the tables {head.tables}, this machine has "
                f"{own.version} with {own.tables}. Bring both to one version, then sync.",
                kind="home",
                id=head.house,
            )
        return head, (head.now - (before + (after - before) / 2)).total_seconds()

    def _at_this_home(self, head: SyncHead, **known: str) -> None:
        """Keep which home this is; marks of another one are void."""
        with changing(self.record, self.who, Act.SYNC) as change:
            kept = kept_settings.setting(change.connection, HOME_KEY) or {}
            if kept.get("id") != head.house:
                sync_marks.drop_marks(change)
                kept = {}
            new = {**kept, "id": head.house, "name": self.home.name, **known}
            if new != kept:
                kept_settings.change_setting(change, HOME_KEY, new)

    def _arrived(self, head: SyncHead) -> None:
        with changing(self.record, self.who, Act.SYNC) as change:
            kept = kept_settings.setting(change.connection, HOME_KEY) or {}
            new = {**kept, "id": head.house, "at": change.at.isoformat()}
            kept_settings.change_setting(change, HOME_KEY, new)
            if self.done:
                counts = Counter(str(one.way) for one in self.done.values())
                change.note("synced with home", detail={"home": self.home.name, "went": dict(counts)})

    def _compared(self) -> tuple[Compared, Compared]:
        marks = self._marks()
        mine = self.here.compared({id_: mark.seq for id_, mark in marks.items()}, has_all=True)
        preps = {entry.id for entry in mine.entries if entry.kind == "prep"}
        known = {id_: marks[id_].home_seq if id_ in marks else -1 for id_ in sorted(preps)}
        return mine, self.home.compared(known)

    def _order_epochs(self, mine: Compared, its: Compared, off_s: float) -> frozenset[str]:
        """Assign an epoch to each adjustment of a unit on both sides; return the ids of such units."""
        home = {entry.id: entry for entry in its.entries}
        ordered = set()
        for entry in mine.entries:
            twice = adjusted_twice(entry, home[entry.id]) if entry.id in home else None
            if twice is None:
                continue
            order = in_order(twice, off_s=off_s)
            if not self.is_dry_run:
                ahead = timedelta(seconds=off_s)
                sides: list[tuple[Side, timedelta]] = [(self.here, timedelta(0)), (self.home, ahead)]
                # First the side of the earliest, whose epoch stays: broken off after it, the next run still
                # finds that both sides have one of the same number.
                for side, off in sides if order[0].side is Way.HERE else reversed(sides):
                    by_its_clock = [(one.id, one.at + off) for one in order]
                    side.order_epochs(entry.kind, entry.id, base=twice.base, order=by_its_clock)
            self._add_notice(
                "epochs_ordered",
                entry.name,
                values={
                    "kind": entry.kind,
                    "order": [[str(one.side), one.by, one.at.isoformat()] for one in order],
                    "is_uncertain": is_uncertain(order, off_s=off_s),
                },
            )
            ordered.add(entry.id)
        return frozenset(ordered)

    def _marks(self) -> dict[str, SyncMarkRow]:
        with self.record.reading() as connection:
            return sync_marks.marks(connection)

    def _steps(self, found: SyncPlan) -> list[Waiting]:
        """Do what was planned; return what was refused."""
        refused: list[Waiting] = []
        if found.same and not self.is_dry_run:
            with changing(self.record, self.who, Act.SYNC) as change:
                sync_marks.keep_marks(change, (_mark(mine, its.seq) for mine, its in found.same))
        for number, step in enumerate(found.steps):
            if self.progress is not None:
                self.progress("Syncing", number, len(found.steps))
            try:
                waits = self._do(step)
            except StoreError:
                raise
            except ShimwiseError as error:
                waits = build_from(Waiting, step, cause=WaitingCause.REFUSED, reason=str(error))
            if waits is not None:
                refused.append(waits)
        if self.progress is not None and found.steps:
            self.progress("Syncing", len(found.steps), len(found.steps))
        return refused

    def _do(self, step: SyncStep) -> Waiting | None:
        if step.kind != "prep":
            self._unit(step)
        elif step.way is Way.BOTH:
            return self._join(step)
        elif step.way is Way.HOME:
            self._bring(step)
        else:
            self._take(step)
        return None

    def _did(self, step: SyncStep, way: Way | None = None) -> None:
        before = self.done.get(step.id)
        is_new = step.is_new or (before is not None and before.is_new)
        fields = before.fields if before is not None else ()
        if step.kind != "prep" and step.here is not None and step.home is not None:
            fields = differences(step.here.content, step.home.content)
        self.done[step.id] = build_from(Synced, step, way=way or step.way, is_new=is_new, fields=fields)

    def _unit(self, step: SyncStep) -> None:
        source = step.here if step.way is Way.HOME else step.home
        target = step.home if step.way is Way.HOME else step.here
        if source is None:  # pragma: no cover - a step goes from where something is
            return
        if not self.is_dry_run:
            expected = "" if target is None else target.digest
            if step.way is Way.HOME:
                self.home.put_unit(source, expected=expected)
            with changing(self.record, self.who, Act.SYNC) as change:
                if step.way is Way.HERE:
                    put_unit_in(change, source, expected=expected)
                what = "brought home" if step.way is Way.HOME else "taken along"
                unit_id = source.id if source.kind in UNITS else None
                detail = {"name": source.name, "from" if step.way is Way.HERE else "to": self.home.name}
                change.note(f"{source.kind} {what}", unit_id=unit_id, detail=detail)
                sync_marks.keep_marks(change, (_mark(source, 0),))
        self._did(step)

    def _bring(self, step: SyncStep) -> None:
        """Bring a prep home."""
        document = self.here.prep(step.id)
        if self.is_dry_run:
            self.home.check_prep(document)
        else:
            seq = self.home.put_prep(document, expected=0 if step.home is None else step.home.seq)
            self._mark_brought(step.id, seq, known=step.here)
        if frames := sum(1 for row in document["sweeps"] if row["frames_place"]):
            self._add_notice("frames_stay", step.name, values={"count": frames})
        self._did(step)

    def _take(self, step: SyncStep) -> None:
        """Take a prep along."""
        if step.home is None:  # pragma: no cover - a step goes from where something is
            return
        document = self.home.prep(step.id)
        if self.is_dry_run:
            self.here.check_prep(document)
        else:
            self._put_here(document, expected=0 if step.here is None else step.here.seq, home=step.home)
        self._did(step)

    def _join(self, step: SyncStep) -> Waiting | None:
        """Join a prep that both sides changed, or put a signed version in the place of the other."""
        here, home = self.here.prep(step.id), self.home.prep(step.id)
        found = merged(here, home, base=step.base, keep=step.keep)
        if found.document is None or step.here is None or step.home is None:
            cause = found.cause or WaitingCause.CHANGED_BOTH
            return build_from(Waiting, step, cause=cause, fields=found.fields)
        self.here.check_prep(found.document)
        if self.is_dry_run:
            self.home.check_prep(found.document)
        else:
            beside = {way: found.beside if found.lost_by is way else None for way in (Way.HOME, Way.HERE)}
            seq = self.home.put_prep(found.document, expected=step.home.seq, beside=beside[Way.HOME])
            self._put_here(
                found.document,
                expected=step.here.seq,
                beside=beside[Way.HERE],
                home=replace(step.home, digest="", seq=seq),
            )
            if found.beside is not None:
                self._put_other_beside(found.beside, at_home=found.lost_by is Way.HERE)
        for notice in found.notices:
            self._add_notice(notice.code, step.name, values=notice.values)
        self._did(step, Way.BOTH)
        return None

    def _put_other_beside(self, document: Mapping[str, Any], *, at_home: bool) -> None:
        """Put the prep that took what one side had to the other side too."""
        prep_id = sync_rows.prep_id_of(document)
        if at_home:
            self._mark_brought(prep_id, self.home.put_prep(self.here.prep(prep_id), expected=0))
        else:
            self._put_here(self.home.prep(prep_id), expected=0, home=None)

    def _put_here(
        self, document: Mapping[str, Any], *, expected: int, home: Entry | None, beside: Any = None
    ) -> None:
        """Put a prep here, and its mark with it: both are kept, or neither."""
        self.here.check_prep(document)
        prep_id = sync_rows.prep_id_of(document)
        with changing(self.record, self.who, Act.SYNC) as change:
            self.here.put_prep_in(change, document, expected=expected, beside=beside)
            seq = 0 if home is None else home.seq
            sync_marks.keep_marks(change, (_mark(_entry_here(change, prep_id), seq),))

    def _mark_brought(self, prep_id: str, home_seq: int, *, known: Entry | None = None) -> None:
        """Mark a prep that is at home now; ``known`` is its entry, where it did not change meanwhile."""
        with changing(self.record, self.who, Act.SYNC) as change:
            is_known = known is not None and known.seq == journal.last_seq(change.connection, prep_id=prep_id)
            seq = change.note("prep brought home", prep_id=prep_id, detail={"to": self.home.name})
            entry = replace(known, seq=seq) if is_known and known else _entry_here(change, prep_id)
            sync_marks.keep_marks(change, (_mark(entry, home_seq),))

    def _take_along(self, its: Compared, *, waiting: tuple[Waiting, ...], ordered: frozenset[str]) -> None:
        """Take learned histories, settings and people along, when what was brought has taught home."""
        if not self.is_dry_run and any(
            one.kind == "prep" and one.way is not Way.HERE for one in self.done.values()
        ):
            its = self.home.compared(None)
        held = {one.id for one in waiting} | (ordered if self.is_dry_run else frozenset())
        if not any(one.kind == "prep" for one in waiting):
            for entry in its.entries:
                if entry.kind in UNITS and entry.id not in held:
                    self._take_learned(entry)
        if self.is_dry_run:
            return
        for notice in (
            *take_settings(self.record, its.settings, who=self.who, keep=self.keep.for_all),
            *take_people(self.record, its.people, who=self.who),
        ):
            self._add_notice(notice.code, values=notice.values)

    def _take_learned(self, entry: Entry) -> None:
        with self.record.reading() as connection:
            own = sync_rows.unit_entry(connection, entry.kind, entry.id)
        if own is None or not sync_rows.is_learned_further(own, entry):
            return
        is_taken = self.is_dry_run
        if not is_taken:
            with changing(self.record, self.who, Act.SYNC) as change:
                is_taken = sync_rows.take_learned(change, entry)
        if is_taken:
            self.done[f"{entry.id} history"] = Synced(
                way=Way.HERE, kind=f"{entry.kind} history", id=entry.id, name=entry.name, is_new=False
            )

    def _add_notice(self, code: str, name: str = "", *, values: Mapping[str, Any]) -> None:
        notice = SyncNotice(code=code, name=name, values=values)
        if notice not in self.notices:
            self.notices.append(notice)


def _entry_here(change: Change, prep_id: str) -> Entry:
    seq = journal.last_seq(change.connection, prep_id=prep_id)
    return sync_rows.prep_entry(export_prep(change.connection, prep_id), seq=seq)


def _mark(entry: Entry, home_seq: int) -> SyncMarkRow:
    return build_from(SyncMarkRow, entry, home_seq=home_seq)
