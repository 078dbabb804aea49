"""A person's repeatability: reckoned from repeats of one sight, and private."""

import statistics

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import Conflict
from shimwise.bench.history.operators import repeatability
from shimwise.bench.sign.signing import change_leads

TEXTS = ("on", 'short by 1/8"', 'deep by 1/8"', "on", 'short by 1/4"')


def test_the_pooled_repeatability_is_the_spread_of_repeats_of_one_sight(house: House) -> None:
    prep_id = house.start().id
    landings = [house.read(prep_id, text).view.landing_um for text in TEXTS]
    found = repeatability(house.record, name=WHO, who=WHO)
    # One group alone: pooling leaves its own standard deviation (e-Handbook 2.4.4.4).
    assert found.repeat_sd_um == pytest.approx(statistics.stdev(landings))
    assert (found.degrees, found.reading_count, found.prep_count) == (4, 5, 1)
    assert found.k is not None
    assert found.k_low is not None
    assert found.k_high is not None
    assert found.k_low < found.k < found.k_high


def test_readings_of_different_sights_are_no_repeats(house: House) -> None:
    prep_id = house.start().id
    house.read(prep_id, "on")
    house.read(prep_id, "on", lens_id=house.ids["H35"])
    house.read(prep_id, "on", operator="B. Other")
    found = repeatability(house.record, name=WHO, who=WHO)
    assert (found.k, found.degrees, found.reading_count) == (None, 0, 2)
    assert "Nothing is repeated" in found.words


def test_it_is_told_to_the_person_and_the_leads_alone(house: House) -> None:
    house.read(house.start().id, "on")
    with pytest.raises(Conflict, match=f"private to {WHO} and the leads"):
        repeatability(house.record, name=WHO, who="B. Other")
    change_leads(house.record, names=["B. Other"], who=WHO)
    assert repeatability(house.record, name=WHO, who="b. other").name == WHO
