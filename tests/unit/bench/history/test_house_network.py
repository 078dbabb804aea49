"""What a house's signed preps teach: kept at signatures, used by the judge, shown, persons private."""

from datetime import timedelta

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict
from shimwise.bench.history.house_network import house_network, house_taught
from shimwise.bench.house.drift_rate import WearSettings, change_wear, rates_of
from shimwise.bench.house.taught import priors_in
from shimwise.bench.house.units import change_unit
from shimwise.bench.house.views import BodyFacts
from shimwise.bench.sign import signing
from shimwise.bench.sign.signing import Exempt
from shimwise.bench.verdict.teaching import learn_after_signature
from shimwise.bench.verdict.verdict import judge_question, refresh_verdict
from shimwise.inference.model.kinds import Kind
from shimwise.inference.model.priors import STARTING_LEVELS, Effect
from shimwise.record.queries.memories import memories
from signed_years import Clock

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("clock")]  # signs preps

READINGS = {"3'": ("on", "2' 11 3/4\"", "3' 0 1/4\""), "6'": ("on", "5' 11\"", "6' 1\"")}
PERSONS = (WHO, "P. Other", "Q. Third")


def read_prep(house: House, number: int) -> str:
    bodies = [house.ids["A-01"], house.ids["A-02"]]
    prep_id = house.start(body_ids=bodies).id
    for body_id in bodies:
        for i, name in enumerate(("H18", "H25", "H35")):
            for distance, texts in READINGS.items():
                house.read(
                    prep_id,
                    texts[(number + i) % 3],
                    body_id=body_id,
                    lens_id=house.ids[name],
                    distance_text=distance,
                    operator=PERSONS[number % 3],
                )
    return prep_id


def sign(house: House, prep_id: str) -> None:
    refresh_verdict(house.record, prep_id)
    exceptions = {unit.unit_id: Exempt("a test") for unit in signing.undecided(house.record, prep_id)}
    signing.sign(house.record, prep_id, who=WHO, exceptions=exceptions)
    learn_after_signature(house.record)


def test_the_fifth_signature_makes_the_houses_own_spreads_those_of_the_judge(
    house: House, clock: Clock
) -> None:
    assert house_taught(house.record) is None
    with pytest.raises(Conflict, match="No prep with readings is signed yet"):
        house_network(house.record, who=WHO)
    signed = []
    for number in range(5):
        with house.record.reading() as connection:
            assert priors_in(connection) is None, number
        signed.append(read_prep(house, number))
        sign(house, signed[-1])
        clock.now += timedelta(days=7)
    taught = house_taught(house.record)
    assert taught is not None
    assert taught.is_used
    assert (taught.preps, taught.readings) == (5, 60)
    assert all(one.low < one.spread < one.high for one in taught.spreads)
    assert "no datum" in taught.datum_words
    fresh = read_prep(house, 5)
    question = judge_question(house.record, fresh)
    assert question is not None
    assert question.priors is not None
    assert question.priors.levels[Effect.BODY] != STARTING_LEVELS[Effect.BODY]
    assert refresh_verdict(house.record, fresh) is not None  # the priors reach the judge's own process

    with house.record.reading() as connection:
        assert rates_of(connection).body_month == pytest.approx(taught.walks[0].month_um)
    still = WearSettings(body_month_um=0.3, reason="a test")
    change_wear(house.record, settings=still, who=WHO)
    with house.record.reading() as connection:
        assert rates_of(connection).body_month == 0.3  # what a person set goes before what was learned

    network = house_network(house.record, who=WHO)
    assert question.prep.history is not None
    for one in network.units:  # the judge's memory is what all preps together say, faded
        known = question.prep.history.remembered(Kind(one.kind), one.name)
        assert known.mean == pytest.approx(one.error_um, abs=1e-6)
        assert one.sd_um <= known.sd < one.sd_um + 1.0
    assert [one.name for one in network.persons] == [WHO]  # their own alone
    change_unit(house.record, house.ids["A-02"], facts=BodyFacts(name="A-02", is_retired=True), who=WHO)
    retired = house_network(house.record, who=WHO)
    for shown in (network, retired):  # what is retired keeps its name
        assert {one.name for one in shown.units} == {"A-01", "A-02", "H18", "H25", "H35"}
    signing.change_leads(house.record, names=["P. Other"], who=WHO)
    everybody = house_network(house.record, who="P. Other").persons
    assert sorted(one.name for one in everybody) == sorted(PERSONS)
    assert sum(one.from_mean_um for one in everybody) == pytest.approx(0.0, abs=1e-6)
    assert not house_network(house.record, who="").persons

    signing.reopen(house.record, signed[-1], reason="a test", who=WHO)
    with house.record.reading() as connection:  # what was learned from it goes with its signature
        assert [row.cause for row in memories(connection)] == ["signed"] * 4
