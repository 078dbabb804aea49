"""Whatever two sides did, a sync makes them one in all that is not in question, cut at any step or not."""

from collections.abc import Callable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from shimwise.bench.exchange.sync_merge import beside_of, merged
from shimwise.bench.exchange.sync_plan import Keep, SyncPlan, WaitingCause, Way, plan
from shimwise.record.exchange.sync_rows import Entry, digest_of_content, prep_entry
from shimwise.record.tables.rows import SyncMarkRow

UNITS = ("u1", "u2", "u3")
PREPS = ("p1", "p2")
Prep = dict[str, Any]


class CutError(Exception):
    """Raised where a sync is broken off."""


@dataclass
class Side:
    """A record, as far as the plan sees it: names of units, and preps as documents."""

    name: str
    units: dict[str, str] = field(default_factory=dict)
    preps: dict[str, Prep] = field(default_factory=dict)

    def entries(self, *, has_all: bool, known: Mapping[str, int]) -> list[Entry]:
        found = [
            Entry(kind="body", id=id_, name=name, digest=digest_of_content(name), content={"name": name})
            for id_, name in self.units.items()
        ]
        found += [
            prep_entry(document, seq=document["prep"]["revision"])
            for id_, document in self.preps.items()
            if has_all or id_ in known or document["prep"]["state"] == "open"
        ]
        return found


def a_prep(id_: str, units: list[str]) -> Prep:
    row = {"id": id_, "title": id_, "state": "open", "revision": 1, "body_ids": units, "lens_ids": []}
    row |= {"closed_at": None, "closed_by": "", "set_id": None, "note": ""}
    lists: dict[str, Any] = {
        name: []
        for name in (
            *("setups", "readings", "gauges", "sweeps", "adjustments", "sign_offs", "verdicts"),
            *("journal", "bodies", "lenses"),
        )
    }
    return {"prep": row, "set": None, **lists}


def read(side: Side, id_: str, reading_id: str) -> None:
    document = side.preps.get(id_)
    if document is None or document["prep"]["state"] != "open":
        return
    row = {"id": reading_id, "seq": len(document["readings"]) + 1, "note": "", "setup_id": "s"}
    row |= {"withdrawn_at": None, "withdrawn_by": "", "withdrawn_reason": ""}
    document["readings"].append(row)
    document["prep"]["revision"] += 1


def withdraw(side: Side, id_: str, number: int) -> None:
    document = side.preps.get(id_)
    if document is not None and document["prep"]["state"] == "open" and document["readings"]:
        row = document["readings"][number % len(document["readings"])]
        row |= {"withdrawn_at": "then", "withdrawn_by": "N. Tester", "withdrawn_reason": "wrong ring"}
        document["prep"]["revision"] += 1


def sign(side: Side, id_: str, sign_id: str) -> None:
    document = side.preps.get(id_)
    if document is not None and document["prep"]["state"] == "open":
        document["prep"] |= {"state": "signed", "closed_by": "N. Tester"}
        document["prep"]["revision"] += 1
        document["sign_offs"].append({"id": sign_id, "signed_at": sign_id})


@dataclass
class Two:
    """The sides, the marks, and how many steps are left before the cut."""

    here: Side
    home: Side
    marks: dict[str, SyncMarkRow] = field(default_factory=dict)
    left: int = 10**9

    def step(self) -> None:
        if not self.left:
            raise CutError
        self.left -= 1

    def planned(self, keep: Keep | None = None) -> SyncPlan:
        known = dict.fromkeys(self.here.preps, -1)
        return plan(
            self.here.entries(has_all=True, known={}),
            self.home.entries(has_all=False, known=known),
            self.marks,
            keep=keep,
        )

    def mark(self, entry: Entry, home_seq: int) -> None:
        self.marks[entry.id] = SyncMarkRow(
            id=entry.id,
            kind=entry.kind,
            digest=entry.digest,
            seq=entry.seq,
            home_seq=home_seq,
            content=entry.content,
        )

    def sync(self, keep: Keep | None = None) -> tuple[int, list[WaitingCause]]:
        """Do what a sync does, each write a step that a cut may come before; return steps and questions."""
        found = self.planned(keep)
        waits = [one.cause for one in found.waiting]
        for mine, its in found.same:
            self.mark(mine, its.seq)
        done = 0
        for step in found.steps:
            sides = {Way.HERE: self.here, Way.HOME: self.home}
            if step.kind != "prep":
                source, target = (self.here, self.home) if step.way is Way.HOME else (self.home, self.here)
                self.step()
                target.units[step.id] = source.units[step.id]
                self.step()
                entry = step.here if step.way is Way.HOME else step.home
                assert entry is not None
                self.mark(entry, 0)
            elif step.way is Way.BOTH:
                joined = merged(
                    self.here.preps[step.id], self.home.preps[step.id], base=step.base, keep=step.keep
                )
                if joined.document is None:
                    assert joined.cause is not None
                    waits.append(joined.cause)
                    continue
                for way in (Way.HOME, Way.HERE):
                    self.step()
                    sides[way].preps[step.id] = deepcopy(dict(joined.document))
                    if joined.beside is not None and joined.lost_by is way:
                        sides[way].preps[joined.beside["prep"]["id"]] = deepcopy(dict(joined.beside))
                self._marked(step.id)
                if joined.beside is not None:
                    self.step()
                    other = Way.HOME if joined.lost_by is Way.HERE else Way.HERE
                    sides[other].preps[joined.beside["prep"]["id"]] = deepcopy(dict(joined.beside))
                    self._marked(joined.beside["prep"]["id"])
            else:
                source, target = (self.here, self.home) if step.way is Way.HOME else (self.home, self.here)
                self.step()
                target.preps[step.id] = deepcopy(source.preps[step.id])
                self.step()
                self._marked(step.id)
            done += 1
        return done, waits

    def _marked(self, id_: str) -> None:
        document = self.here.preps[id_]
        self.mark(prep_entry(document, seq=document["prep"]["revision"]), document["prep"]["revision"])


ACTS: dict[str, Callable[[Side, str, int], None]] = {
    "read": lambda side, id_, number: read(side, id_, f"{side.name}-{number}"),
    "withdraw": withdraw,
    "sign": lambda side, id_, number: sign(side, id_, f"{side.name}-{number}"),
    "rename": lambda side, _, number: side.units.update({UNITS[number % 3]: f"unit {side.name} {number}"}),
}
DONE = st.lists(
    st.tuples(
        st.sampled_from(["here", "home"]),
        st.sampled_from([*ACTS]),
        st.sampled_from(PREPS),
        st.integers(0, 99),
    ),
    max_size=12,
)


def after(done: list[tuple[str, str, str, int]]) -> Two:
    home = Side("home", {id_: id_ for id_ in UNITS}, {id_: a_prep(id_, ["u1"]) for id_ in PREPS})
    read(home, "p1", "first")
    two = Two(Side("here"), home)
    two.sync()
    for place, (where, act, prep_id, number) in enumerate(done):
        ACTS[act](getattr(two, where), prep_id, 100 * place + number)
    return two


def state(side: Side) -> Any:  # noqa: ANN401 - compared as a whole
    preps = {id_: prep_entry(one).digest for id_, one in side.preps.items()}
    return dict(side.units), preps


@given(DONE)
def test_after_a_sync_both_have_the_same_but_for_what_is_asked_and_a_second_does_nothing(
    done: list[tuple[str, str, str, int]],
) -> None:
    two = after(done)
    _, waits = two.sync()
    again, waits_again = two.sync()
    assert again == 0
    assert sorted(waits_again) == sorted(waits)
    if not waits:
        assert state(two.here) == state(two.home)
    else:
        two.sync(Keep(for_all=Way.HOME))
        _, left = two.sync()
        assert set(left) <= {WaitingCause.SIGNED_BOTH}, "a choice leaves no question but two signatures"
        if not left:
            assert state(two.here) == state(two.home)


@given(DONE, st.integers(0, 30))
def test_a_sync_that_was_cut_and_run_again_ends_as_one_that_was_not(
    done: list[tuple[str, str, str, int]], cut_at: int
) -> None:
    whole = after(done)
    cut = deepcopy(whole)
    _, waits = whole.sync()
    cut.left = cut_at
    try:
        cut.sync()
    except CutError:
        cut.left = 10**9
        cut.sync()
    assert state(cut.here) == state(whole.here)
    assert state(cut.home) == state(whole.home)
    assert sorted(cut.sync()[1]) == sorted(waits)


@given(DONE)
def test_nothing_that_was_read_is_lost(done: list[tuple[str, str, str, int]]) -> None:
    two = after(done)
    ids = {
        row["id"]
        for side in (two.here, two.home)
        for document in side.preps.values()
        for row in document["readings"]
    }
    _, waits = two.sync()
    for side in (two.here, two.home):
        kept = [row["id"] for document in side.preps.values() for row in document["readings"]]
        assert len(kept) == len(set(kept)), "nothing is double"
        assert set(kept) == ids or waits


def test_two_that_both_signed_are_never_merged() -> None:
    two = after([("here", "sign", "p1", 1), ("home", "sign", "p1", 2)])
    before = state(two.here), state(two.home)
    assert two.sync()[1] == [WaitingCause.SIGNED_BOTH]
    assert two.sync(Keep(for_all=Way.HOME))[1] == [WaitingCause.SIGNED_BOTH]
    assert (state(two.here), state(two.home)) == before


def test_what_is_kept_beside_is_the_same_whenever_it_is_made() -> None:
    two = after([("here", "read", "p1", 1), ("home", "sign", "p1", 2)])
    made = [beside_of(two.here.preps["p1"], two.home.preps["p1"], side=Way.HERE) for _ in range(2)]
    assert made[0] == made[1]
    assert made[0] is not None
    assert [row["seq"] for row in made[0]["readings"]] == [1]
