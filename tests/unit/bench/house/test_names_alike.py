"""Units whose names look alike are told of each other."""

from invented_house import WHO, House

from shimwise.bench.house.units import add_unit, show_unit
from shimwise.bench.house.views import BodyFacts


def test_a_body_that_looks_like_another_says_so_and_others_do_not(house: House) -> None:
    alike = add_unit(house.record, facts=BodyFacts(name="A-O1"), who=WHO)
    other = add_unit(house.record, facts=BodyFacts(name="B-02"), who=WHO)
    assert show_unit(house.record, BodyFacts, alike.id).alike == ("A-01",)
    assert show_unit(house.record, BodyFacts, house.ids["A-01"]).alike == ("A-O1",)
    assert show_unit(house.record, BodyFacts, other.id).alike == ()
