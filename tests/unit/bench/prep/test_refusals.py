"""A refusal names what it is said of."""

import pytest
from invented_house import WHO, House

from shimwise.bench.errors import AllRefusals, InputError
from shimwise.bench.house.unit_list import import_house_list
from shimwise.bench.house.unit_list_file import read_list
from shimwise.bench.typed_names import typed_name


@pytest.mark.parametrize(
    ("field", "text"),
    [("reason", "The reason is empty. Type it."), ("who", "The name of who does it is empty. Type it.")],
)
def test_what_is_empty_is_named(field: str, text: str) -> None:
    with pytest.raises(InputError) as told:
        typed_name(" ", field=field)
    assert str(told.value) == text


def test_all_that_several_checks_refuse_is_told_with_the_first() -> None:
    def check() -> None:
        with AllRefusals() as refusals:
            for field in ("who", "reason", "name"):
                refusals.of(typed_name, "", field=field)

    with pytest.raises(InputError) as told:
        check()
    assert [one.field for one in (told.value, *told.value.others)] == ["who", "reason", "name"]


def test_a_house_list_says_what_is_wrong_with_what_stands_there() -> None:
    list_file = read_list(b"kind,name,focal_length_mm\nlens,P25,-25\nlens,Z,24-80\n", name="list.csv")
    (refused,) = list_file.refused
    assert (refused.line, refused.found) == (2, "-25")
    assert "is empty" not in refused.reason
    (zoom,) = list_file.rows
    assert zoom.facts["focal_lengths_mm"] == (24.0, 80.0)
    with pytest.raises(InputError, match="The header has to name kind, name; serial, mount"):
        read_list(b"name\nP25\n", name="list.csv")
    with pytest.raises(InputError, match="each line below it is one row"):
        read_list(b"\n", name="list.csv")


def test_a_dry_run_of_a_list_tells_what_was_understood_of_each_new_unit(house: House) -> None:
    data = "kind;name;mount;focal_length_mm;f_number;set\nlens;P18;PL;18,5;2,0;Set P\nlens;Z1;;24-80;2,8;\n"
    told = import_house_list(house.record, data.encode(), who=WHO)
    assert told.understood == ("lens P18: 18.5 mm f/2, mount PL, in Set P", "lens Z1: 24–80 mm f/2.8, a zoom")
    assert (told.new_units, told.new_sets) == (("lens P18", "lens Z1"), ("Set P",))
    import_house_list(house.record, data.encode(), who=WHO, is_dry_run=False)
    again = import_house_list(house.record, data.encode(), who=WHO)
    assert again.is_nothing
    assert len(again.unchanged) == 2
