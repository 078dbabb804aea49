"""What a prep's bodies can be known to by eye, before the first reading."""

from invented_house import House

from shimwise.bench.history.prep_reach import reach_of


def test_before_the_first_reading_a_prep_says_what_readings_reach_and_what_helps(house: House) -> None:
    prep = house.start()
    reach = reach_of(house.record, prep.id)
    assert reach is not None
    assert 0 < reach.limit_um <= reach.half_um
    assert f"{reach.count} readings" in reach.sentence
    assert f"readings without end ±{reach.limit_um:.1f} µm" in reach.sentence
    # Four lenses without a history hide a body's error: they leave more than half the tolerance.
    assert reach.is_reached is (reach.half_um <= reach.tolerance_um)
    assert reach.limit_um > reach.tolerance_um / 2


def test_a_prep_without_lenses_promises_nothing(house: House) -> None:
    prep = house.start(set_id=None, lens_ids=[])
    assert reach_of(house.record, prep.id) is None
