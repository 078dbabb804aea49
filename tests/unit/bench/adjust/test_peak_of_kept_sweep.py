"""The peak along a screw from a sweep that the prep has kept: offered, taken, refused, never judged."""

from datetime import datetime

import pytest
from invented_house import WHO, House

from screw_peak import ALONG_SCREW
from shimwise.bench.adjust import guide
from shimwise.bench.adjust.views import AdjustmentView
from shimwise.bench.errors import Conflict, InputError
from shimwise.bench.house import units
from shimwise.bench.house.views import BodyFacts, MechanismFacts
from shimwise.bench.prep.preps import open_prep
from shimwise.bench.prep.views import SweepView
from shimwise.bench.sweep.evidence import SweepRequest, keep_sweep, withdraw_sweep
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.sheets.words.sweep_words import screw_text

pytestmark = pytest.mark.slow  # each judges a prep
BEFORE_MOVE = (("clean", "done"), ("lock", "was free"), ("place", "mark at the rim"))


def prep_of(house: House) -> str:
    """Start a prep of two bodies with screws, whose first was read."""
    for name in ("A-01", "A-02"):
        facts = BodyFacts(name=name, mount="PL", mechanism=MechanismFacts(kind="screw"))
        units.change_unit(house.record, house.ids[name], facts=facts, who=WHO)
    prep_id = house.start(body_ids=[house.ids["A-01"], house.ids["A-02"]]).id
    house.read(prep_id, 'short by 3/16"')
    return prep_id


def begin(house: House, prep_id: str) -> AdjustmentView:
    return guide.begin_adjustment(
        house.record, prep_id, unit_kind="body", unit_id=house.ids["A-01"], reason="to be sure", who=WHO
    )


def to_the_move(house: House, view: AdjustmentView) -> AdjustmentView:
    for step, said in BEFORE_MOVE:
        view = guide.answer_step(house.record, view.prep_id, view.id, step=step, answer=said, who=WHO)
    return view


def swept(
    house: House, prep_id: str, *, body: str = "A-01", taken_at: datetime | None = None, **changes: object
) -> SweepView:
    facts = SweepRequest(body_id=house.ids[body], lens_id=house.ids["H50"], distance_text="3'")
    return keep_sweep(
        house.record, prep_id, facts=facts, document={**ALONG_SCREW, **changes}, who=WHO, taken_at=taken_at
    )


def peak(house: House, view: AdjustmentView, sweep_id: str) -> AdjustmentView:
    return guide.keep_peak(house.record, view.prep_id, view.id, sweep_id=sweep_id, who=WHO)


def test_a_kept_sweep_along_the_screw_leads_the_move_to_its_peak(house: House) -> None:
    prep_id = prep_of(house)
    view = begin(house, prep_id)
    first, last = (
        swept(house, prep_id),
        swept(house, prep_id, best_turns=-0.1, low_turns=-0.102, high_turns=-0.098),
    )
    assert guide.adjustment(house.record, prep_id, view.id).screw_sweeps == ()
    with pytest.raises(Conflict, match="after its lock was looked at"):
        peak(house, view, first.id)
    view = to_the_move(house, view)
    without = swept(house, prep_id, best_turns=None, flags=["the peak is at the end: go further."])
    view = guide.adjustment(house.record, prep_id, view.id)
    # Those that tell a peak first, of them the newest, each with where it is sharpest.
    assert [one.id for one in view.screw_sweeps] == [last.id, first.id, without.id]
    words = [one.words for one in view.screw_sweeps]
    assert words[0].startswith("sharpest 0.100 ± 0.002 turn (36°) anticlockwise along the screw")
    # An interval is never shown as nothing, however narrow.
    narrow = {"best_turns": 0.009, "low_turns": 0.0088, "high_turns": 0.0092}
    assert "0.009 ± 0.001 turn" in screw_text(narrow)
    found = peak(house, view, first.id)
    assert found.move.turns == pytest.approx(0.12)
    assert found.move.peak.startswith("The peak lies 0.120 ± 0.008 turn (43°) clockwise")


def test_a_sweep_that_tells_nothing_of_the_screw_now_is_refused_in_words(house: House) -> None:
    prep_id = prep_of(house)
    before = swept(house, prep_id)
    view = to_the_move(house, begin(house, prep_id))
    other = swept(house, prep_id, body="A-02")
    # Its frames were there before the adjustment was begun, and were measured after.
    late = swept(house, prep_id, taken_at=before.taken_at)
    sensor = swept(house, prep_id, swept="sensor")
    withheld = swept(house, prep_id, best_turns=None, flags=["the peak is at the end: go further."])
    withdrawn = swept(house, prep_id)
    withdraw_sweep(house.record, prep_id, withdrawn.id, reason="the ring slipped", who=WHO)
    told = guide.adjustment(house.record, prep_id, view.id).screw_sweeps
    assert [one.id for one in told] == [withheld.id]
    assert told[0].words == "no peak along the screw"
    for sweep_id, reason in (
        (before.id, "from before the adjustment was begun"),
        (late.id, "from before the adjustment was begun"),
        (other.id, "is of body A-02, and A-01 is adjusted"),
        (sensor.id, "not along a screw"),
        (withheld.id, "tells no peak: the peak is at the end: go further"),
        (withdrawn.id, "was withdrawn: the ring slipped"),
        ("0" * 32, "is no sweep of this prep"),
    ):
        with pytest.raises(InputError, match=reason) as refused:
            peak(house, view, sweep_id)
        assert refused.value.field == "sweep_id"
    with pytest.raises(InputError, match="names a second sweep"):
        guide.keep_peak(house.record, prep_id, view.id, sweep=ALONG_SCREW, sweep_id=withheld.id, who=WHO)
    assert guide.adjustment(house.record, prep_id, view.id).move.peak == ""


def test_a_sweep_along_the_screw_is_kept_and_changes_no_verdict(house: House) -> None:
    prep_id = prep_of(house)
    before = refresh_verdict(house.record, prep_id)
    kept = swept(house, prep_id)
    assert (kept.landing_um, kept.sd_um, kept.landing_sd_um) == (None, None, None)
    after = refresh_verdict(house.record, prep_id)
    assert before is not None
    assert after is not None
    assert after.document == before.document
    assert [one.id for one in open_prep(house.record, prep_id).sweeps] == [kept.id]
