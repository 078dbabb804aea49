"""What signed preps leave remembered: jointly, fading, tested by new readings, taken back by reopening."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from invented_house import WHO, House

from shimwise.bench.errors import InputError
from shimwise.bench.history.house_plan import plan_house
from shimwise.bench.house import unit_memory
from shimwise.bench.house import units as houses
from shimwise.bench.house.drift_rate import WearSettings, change_wear, wear
from shimwise.bench.house.views import LensFacts
from shimwise.bench.prep import gauges
from shimwise.bench.prep.prep_data import material_of
from shimwise.bench.prep.views import PrepVerdict
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict import prep_memory, teaching
from shimwise.bench.verdict.verdict import refresh_verdict
from shimwise.inference.history.house_memory import HouseMemory
from shimwise.inference.model.joint_memory import History, Unit
from shimwise.inference.model.kinds import UNKNOWN_SD, Kind
from shimwise.record.queries import memories, units
from shimwise.record.tables.rows import BodyRow, LensRow
from signed_years import Clock

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("clock", "few_preps")]  # judges many preps

LENSES = ("H25", "H35", "H50")


def read_prep(house: House, *texts: str, gauge_um: float | None = None, body: str = "A-01") -> str:
    """A prep of one body and three lenses, each read at 3 and 6 ft as told."""
    body_id = house.ids[body]
    prep_id = house.start(body_ids=[body_id], set_id=None, lens_ids=[house.ids[name] for name in LENSES]).id
    if gauge_um is not None:
        gauges.add_gauge(
            house.record, prep_id, unit_kind="body", unit_id=body_id, value_um=gauge_um, sd_um=1.5, who=WHO
        )
    for name in LENSES:
        for distance in ("3'", "6'"):
            for text in texts or ("on",):
                house.read(prep_id, text, body_id=body_id, lens_id=house.ids[name], distance_text=distance)
    return prep_id


def judged(house: House, prep_id: str) -> PrepVerdict:
    found = refresh_verdict(house.record, prep_id)
    assert found is not None
    return found


def sign(house: House, prep_id: str) -> None:
    judged(house, prep_id)
    exceptions = {unit.unit_id: Exempt("a test") for unit in signing.undecided(house.record, prep_id)}
    signing.sign(house.record, prep_id, who=WHO, exceptions=exceptions)


def body(house: House, name: str = "A-01") -> BodyRow:
    with house.record.reading() as connection:
        return units.unit(connection, BodyRow, house.ids[name])


def lens(house: House, name: str) -> LensRow:
    with house.record.reading() as connection:
        return units.unit(connection, LensRow, house.ids[name])


def told(house: House) -> list[tuple[float | None, float | None]]:
    rows = [body(house), *(lens(house, name) for name in LENSES)]
    return [(row.history_mean_um, row.history_sd_um) for row in rows]


def memory(house: House) -> HouseMemory:
    with house.record.reading() as connection:
        return unit_memory.memory_in(connection)


def prior(house: House, prep_id: str) -> History | None:
    with house.record.reading() as connection:
        return prep_memory.prior_of(connection, material_of(connection, prep_id))


def without_wear(house: House) -> None:
    still = WearSettings(body_month_um=0, body_job_um=0, lens_month_um=0, lens_job_um=0, reason="a test")
    change_wear(house.record, settings=still, who=WHO)


def test_a_house_that_has_signed_nothing_remembers_nothing(house: House) -> None:
    prep_id = read_prep(house)
    assert prior(house, prep_id) is None
    assert memory(house).history.units == ()


def test_a_signed_prep_tells_the_next_one_what_it_knew(house: House) -> None:
    without_wear(house)
    first = read_prep(house, gauge_um=3.0)
    known = judged(house, first).bodies[0]
    sign(house, first)
    assert body(house).history_mean_um == pytest.approx(known.error_um, abs=0.6)
    assert body(house).history_sd_um == pytest.approx(known.sd_um, rel=0.15)
    second = house.start(set_id=None, lens_ids=[house.ids["H75"]]).id  # another lens, the same body
    house.read(second, "on", lens_id=house.ids["H75"], distance_text="12'")
    again = judged(house, second).bodies[0]
    assert again.high_um is not None
    assert again.high_um - known.error_um < 5.0  # and what may have changed since
    assert again.error_um == pytest.approx(known.error_um, abs=0.6)


NEARLY_ON = {
    "3'": ("3'", "2' 11 3/4\"", "3' 1/4\"", "2' 11 7/8\""),
    "6'": ("6'", "5' 11 1/2\"", "6' 1/2\"", "6' 1/4\""),
}
"""Readings of a person who reads between the marks."""


def sd_after_preps(house: House, count: int) -> list[float]:
    """Sd of the body that is remembered after each of some preps. [µm]"""
    found = []
    for _ in range(count):
        prep_id = house.start(
            body_ids=[house.ids["A-01"]], set_id=None, lens_ids=[house.ids[name] for name in LENSES]
        ).id
        for name in LENSES:
            for distance, texts in NEARLY_ON.items():
                for text in texts:
                    house.read(prep_id, text, lens_id=house.ids[name], distance_text=distance)
        sign(house, prep_id)
        found.append(memory(house).history.remembered(Kind.BODY, house.ids["A-01"]).sd)
    return found


def test_many_preps_never_know_a_body_better_than_its_lenses_allow(house: House) -> None:
    # Readings tell sums only: however often they are read, body and lenses stay as far apart as at first.
    without_wear(house)
    first_um, *_, last_um = sd_after_preps(house, 5)
    assert last_um > 0.75 * first_um


def test_a_memory_of_each_unit_alone_would_believe_itself_too_well(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The control of the test above: without what hangs together, the same preps believe themselves too well.
    without_wear(house)
    whole = unit_memory.memory_in

    def alone(connection: object) -> HouseMemory:
        found = whole(connection)  # type: ignore[arg-type]
        diagonal = np.diag(np.diag(found.history.covariance))
        return replace(found, history=replace(found.history, covariance=diagonal))

    monkeypatch.setattr(unit_memory, "memory_in", alone)
    first_um, *_, last_um = sd_after_preps(house, 4)  # from five on all preps are learned from together
    assert last_um < 0.65 * first_um


def test_what_one_body_shows_tells_of_another_through_the_lenses(house: House) -> None:
    without_wear(house)
    sign(house, read_prep(house, gauge_um=0.0))  # now the lenses are known
    alone = UNKNOWN_SD[Kind.BODY]
    second = read_prep(house, body="A-02")
    known_um = judged(house, second).bodies[0].sd_um
    assert known_um < alone / 2
    sign(house, second)
    # A gauge on the second body now speaks of the first one too.
    before = memory(house).history.remembered(Kind.BODY, house.ids["A-01"]).sd
    sign(house, read_prep(house, gauge_um=0.0, body="A-02"))
    assert memory(house).history.remembered(Kind.BODY, house.ids["A-01"]).sd < before


def test_a_memory_fades_with_the_days_and_with_the_job(house: House, clock: Clock) -> None:
    prep_id = read_prep(house, gauge_um=3.0)
    sign(house, prep_id)
    kept_um = body(house).history_sd_um
    assert kept_um is not None
    clock.now += timedelta(days=120)
    second = house.start(set_id=None, lens_ids=[house.ids["H50"]]).id
    found = prior(house, second)
    assert found is not None
    # A random walk: 1.5² µm² a month over four months, and 2² for the job; looked at twice, counted once.
    expected = math.sqrt(kept_um**2 + 1.5**2 * 4 + 2.0**2)
    assert found.remembered(Kind.BODY, "A-01").sd == pytest.approx(expected, rel=1e-3)
    assert prior(house, second) is not None
    assert body(house).history_sd_um == kept_um


def test_what_a_person_typed_goes_before_what_was_remembered(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    facts = LensFacts(
        name="H50", mount="PL", focal_lengths_mm=(50.0,), fnumber=2.0, history_mean_um=1.0, history_sd_um=4.0
    )
    houses.change_unit(house.record, house.ids["H50"], facts=facts, who=WHO)
    prep_id = house.start(set_id=None, lens_ids=[house.ids["H50"]]).id
    found = prior(house, prep_id)
    assert found is not None
    assert found.epoch(Kind.LENS, "H50") is None
    assert found.epoch(Kind.BODY, "A-01") is not None
    house.read(prep_id, "on")
    sd_um = judged(house, prep_id).lenses[0].sd_um
    assert sd_um is not None
    assert sd_um < 8.0  # typed as 4 µm, or three times that if it was off

    sign(house, prep_id)
    with house.record.reading() as connection:
        first, second = teaching.signed_preps(connection, most_readings=1000)
    assert {one.gauge_um for one in first.prep.lenses.values()} == {None}
    typed = {name: (one.gauge_um, one.gauge_sd_um) for name, one in second.prep.lenses.items()}
    assert typed == {f"{house.ids['H50']}@0": (1.0, 4.0)}  # the house learns it as a gauge value
    assert {one.gauge_um for one in second.prep.bodies.values()} == {None}  # written by a signature


def test_a_unit_that_a_person_typed_over_can_be_moved_all_the_same(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    facts = LensFacts(
        name="H50", mount="PL", focal_lengths_mm=(50.0,), fnumber=2.0, history_mean_um=6.0, history_sd_um=2.0
    )
    houses.change_unit(house.record, house.ids["H50"], facts=facts, who=WHO)
    prep_id = house.start(set_id=None, lens_ids=[house.ids["H50"]]).id
    with house.record.reading() as connection:
        material = material_of(connection, prep_id)
        moved = prep_memory.after_move(
            connection, material, lens(house, "H50"), by_um=-6.0, sd_um=1.0
        ).history.remembered(Kind.LENS, house.ids["H50"], epoch=1)
    assert moved.mean == pytest.approx(0.0)
    assert moved.sd == pytest.approx(math.hypot(2.0, 1.0))


def test_a_body_that_was_knocked_is_said_to_be_and_its_past_is_set_aside(house: House) -> None:
    sign(house, read_prep(house, gauge_um=0.0))
    sign(house, read_prep(house, gauge_um=0.0))
    knocked = read_prep(house, "on", gauge_um=-45.0)
    words = " ".join(judged(house, knocked).warnings)
    assert "A-01 lies" in words
    assert "short of where it was remembered" in words
    sign(house, knocked)
    mean_um = body(house).history_mean_um
    assert mean_um is not None
    assert mean_um < -20


def test_a_house_where_nothing_happened_is_told_of_no_knock(house: House) -> None:
    for _ in range(3):
        prep_id = read_prep(house, gauge_um=0.0)
        assert "remembered" not in " ".join(judged(house, prep_id).warnings)
        sign(house, prep_id)


def test_reopening_takes_back_what_the_signature_left(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    before, told_before = memory(house), told(house)
    prep_id = read_prep(house)
    known = judged(house, prep_id)
    sign(house, prep_id)
    assert told(house) != told_before
    signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO)
    assert memory(house).to_json() == before.to_json()
    assert told(house) == told_before
    # Its own readings must not come back as its prior: it is judged as it was.
    assert judged(house, prep_id).bodies[0].sd_um == pytest.approx(known.bodies[0].sd_um)


def test_reopening_an_older_prep_never_leaves_more_believed_than_before_it(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    told_before = told(house)
    older = read_prep(house)
    known = judged(house, older)
    sign(house, older)
    sign(house, read_prep(house, gauge_um=3.0))
    signing.reopen(house.record, older, reason="a lens came late", who=WHO)
    for (mean_um, sd_um), (mean_before, sd_before) in zip(told(house), told_before, strict=True):
        assert mean_um == mean_before
        assert sd_um is not None
        assert sd_before is not None
        assert sd_um >= sd_before
    assert judged(house, older).bodies[0].sd_um >= 0.99 * known.bodies[0].sd_um


def test_a_first_prep_that_is_reopened_leaves_nothing_known(house: House) -> None:
    prep_id = read_prep(house)
    sign(house, prep_id)
    signing.reopen(house.record, prep_id, reason="a lens came late", who=WHO)
    assert body(house).history_sd_um is None
    assert prior(house, prep_id) is None


def test_only_the_last_memories_are_kept(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memories, "KEPT", 2)
    for _ in range(3):
        sign(house, read_prep(house))
    with house.record.reading() as connection:
        assert [row.seq for row in memories.memories(connection)] == [3, 2]


def test_a_renamed_unit_is_remembered(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    facts = LensFacts(
        name="H50 new",
        mount="PL",
        focal_lengths_mm=(50.0,),
        fnumber=2.0,
        history_mean_um=lens(house, "H50").history_mean_um,
        history_sd_um=lens(house, "H50").history_sd_um,
    )
    houses.change_unit(house.record, house.ids["H50"], facts=facts, who=WHO)
    found = prior(house, house.start(set_id=None, lens_ids=[house.ids["H50"]]).id)
    assert found is not None
    assert found.epoch(Kind.LENS, "H50 new") == 0


def test_a_plan_begins_from_what_is_remembered_as_it_has_faded(house: House, clock: Clock) -> None:
    def planned() -> int:
        return plan_house(
            house.record, body_ids=[house.ids["A-01"]], set_id=house.ids["Set H"], target_um=6.0
        ).count

    unknown = planned()
    sign(house, read_prep(house, gauge_um=0.0))
    known = planned()
    assert known < unknown
    clock.now += timedelta(days=3000)
    assert known < planned() <= unknown


def test_what_is_written_of_a_memory_is_read_back(house: House) -> None:
    sign(house, read_prep(house, gauge_um=3.0))
    found = memory(house)
    again = HouseMemory.from_json(found.to_json(), seq=found.seq)
    assert again.since == found.since
    assert again.history.units == found.history.units
    assert np.array_equal(again.history.covariance, found.history.covariance)
    assert Unit(Kind.BODY, house.ids["A-01"], 0) in again.since
    assert not any(unit.kind is Kind.SETUP for unit in again.since)


def test_a_prep_of_sets_at_two_stops_is_remembered_too(house: House) -> None:
    prep_id = read_prep(house)
    for text in ("on", 'short by 1/2"'):
        house.read(prep_id, text, fnumber=4.0)
    sign(house, prep_id)
    kinds = {unit.kind for unit in memory(house).history.units}
    assert Kind.STOP in kinds
    second = read_prep(house)
    found = prior(house, second)
    assert found is not None
    assert "H50 at f/4" in [unit.name for unit in found.units]


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        (WearSettings(body_month_um=0.5, reason=""), "empty"),
        (WearSettings(body_month_um=-1.0), "out of range"),
        (WearSettings(lens_job_um=math.inf), "out of range"),
    ],
)
def test_rates_of_wear_that_cannot_be_are_refused(house: House, settings: WearSettings, match: str) -> None:
    with pytest.raises(InputError, match=match):
        change_wear(house.record, settings=settings, who=WHO)


def test_rates_of_wear_are_settings_with_a_reason(house: House) -> None:
    wanted = WearSettings(body_month_um=0.5, body_job_um=0.0, reason="drift charts of last year")
    assert change_wear(house.record, settings=wanted, who=WHO) == wanted
    assert wear(house.record) == wanted
