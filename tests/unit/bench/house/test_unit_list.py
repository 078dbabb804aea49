"""A house's list: told before it is done, done whole or not at all, given back as it is taken in."""

import csv
import io
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_house import WHO, House

from shimwise.bench.errors import InputError
from shimwise.bench.house import units as houses
from shimwise.bench.house.unit_list import export_house_list, import_house_list
from shimwise.bench.house.unit_list_file import COLUMNS, read_list
from shimwise.bench.house.views import BodyFacts, HouseListOutcome, LensFacts

HEADER = "kind,name,serial,mount,focal_length_mm,f_number,set,tolerance_um\n"


def take(house: House, rows: str, *, is_dry_run: bool = False, header: str = HEADER) -> HouseListOutcome:
    return import_house_list(house.record, (header + rows).encode(), who=WHO, is_dry_run=is_dry_run)


def test_a_dry_run_tells_exactly_what_is_then_done(house: House) -> None:
    rows = "body,B-07,S1,PL,,,,8\nbody,A-01,,LPL,,,,\nlens,H35,,,,2.8,Set K,\nlens,K40,,PL,40,2,Set K,\n"
    before = export_house_list(house.record)
    told = take(house, rows, is_dry_run=True)
    assert export_house_list(house.record) == before
    done = take(house, rows)
    assert (told.is_taken, done.is_taken) == (False, True)
    assert (told.added, told.changed, told.unchanged) == (done.added, done.changed, done.unchanged)
    assert done.added == ("body B-07", "set Set K", "lens K40")
    assert [(one.line, one.name, one.field, one.before, one.after) for one in done.changed] == [
        (3, "A-01", "mount", "PL", "LPL"),
        (4, "H35", "set", "", "Set K"),
        (4, "H35", "f_number", "2", "2.8"),
    ]
    again = take(house, rows)
    assert (again.added, again.changed) == ((), ())
    assert len(again.unchanged) == 4
    sets = {one.name: one.lens_names for one in houses.list_sets(house.record).sets}
    assert sets["Set K"] == ("H35", "K40")


def test_the_marks_of_a_lens_are_taken_in_told_and_given_out(house: House) -> None:
    header = "kind,name,focal_length_mm,f_number,scale,marks\n"
    rows = "lens,H35,,,,2'|3'|4'|INF\nlens,K40,40,2,m,0.6 m|0.8 m|INF\n"
    outcome = take(house, rows, header=header)
    assert [(one.name, one.field, one.before, one.after) for one in outcome.changed] == [
        ("H35", "marks", "", "2'|3'|4'|INF")
    ]
    assert outcome.understood == ("lens K40: 40 mm f/2, marks 600 mm, 800 mm, INF",)
    again = import_house_list(house.record, export_house_list(house.record).encode(), who=WHO)
    assert (again.added, again.changed, again.refused) == ((), (), ())
    (wrong,) = take(house, "lens,H35,,,,3'|2'\n", header=header).refused
    assert (wrong.column, wrong.reason) == (
        "marks",
        "are out of order. Sort them from near to far, each mark once.",
    )


def test_what_is_given_out_is_taken_in_without_a_change(house: House) -> None:
    outcome = import_house_list(house.record, export_house_list(house.record).encode(), who=WHO)
    assert (outcome.added, outcome.changed, outcome.refused, outcome.warnings) == ((), (), (), ())
    assert len(outcome.unchanged) == 7


def test_one_wrong_line_and_nothing_is_taken_and_all_wrong_lines_are_told(house: House) -> None:
    rows = (
        "body,B-07,,,,,,\n"
        "body,=SUM(A1),,,,,,\n"
        "lens,K40,,,forty,2,,\n"
        "lens,K65,,,65,,,\n"
        "body,B-08,,,50,,,\n"
        "tripod,T,,,,,,\n"
        "body,b-07,,,,,,\n"
    )
    outcome = take(house, rows)
    assert not outcome.is_taken
    assert [(one.line, one.column) for one in outcome.refused] == [
        (3, "name"),
        (4, "focal_length_mm"),
        (5, "f_number"),
        (6, "focal_length_mm"),
        (7, "kind"),
        (8, "name"),
    ]
    assert "cannot start with =" in outcome.refused[0].reason
    assert "stands on line 2 already" in outcome.refused[-1].reason
    assert houses.list_units(house.record, BodyFacts, search="B-07").units == ()


def test_an_empty_cell_leaves_what_is_known(house: House) -> None:
    take(house, "body,A-01,S77,,,,,8\n")
    take(house, "body,A-01,,,,,,\n")
    facts = houses.list_units(house.record, BodyFacts, search="A-01").units[0].facts
    assert (facts.serial, facts.tolerance_um, facts.mount) == ("S77", 8.0, "PL")


@pytest.mark.parametrize("written", ["24 50 80", "24-80", "24/80", "24 mm 80 mm", "24 – 80 mm"])
def test_a_zooms_focal_lengths_are_read_as_they_are_written(house: House, written: str) -> None:
    outcome = take(house, f"lens,Z,,,{written},2.8,,\n")
    assert outcome.refused == ()
    focal_mm = houses.list_units(house.record, LensFacts, search="Z").units[0].facts.focal_lengths_mm
    assert (focal_mm[0], focal_mm[-1]) == (24.0, 80.0)


def test_a_list_with_semicolons_may_have_decimal_commas(house: House) -> None:
    header = HEADER.replace(",", ";")
    take(house, "lens;K40;;;40,5;2,2;;\n", header=header)
    facts = houses.list_units(house.record, LensFacts, search="K40").units[0].facts
    assert (facts.focal_lengths_mm, facts.fnumber) == ((40.5,), 2.2)


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "is empty"),
        (b",", "the columns kind, name are missing"),
        (b"name,serial\nA,1\n", "the column kind is missing"),
        (b"kind,name,name\n", "column name: stands in the header twice, in place 2 and 3"),
        (b'kind,name\nbody,"A\n', "Close the quotes"),
        (b"PK\x03\x04", "is a workbook"),
        (b"kind,name\nbody,\x00\n", r"U\+0000"),
    ],
)
def test_a_file_that_is_no_list_is_refused_in_words(house: House, data: bytes, match: str) -> None:
    with pytest.raises(InputError, match=match):
        import_house_list(house.record, data, who=WHO)


def test_a_column_that_is_not_known_is_warned_of(house: House) -> None:
    outcome = import_house_list(house.record, b"kind,name,seriel\nbody,A-01,1\n", who=WHO)
    assert outcome.warnings == ("Column seriel is not read. Is serial meant?",)


@given(
    data=st.binary(max_size=60)
    | st.lists(st.sampled_from([*COLUMNS, ",", "\n", "body", "1", '"'])).map(
        lambda parts: "".join(parts).encode()
    )
)
def test_no_bytes_at_all_make_it_fail_otherwise(data: bytes) -> None:
    with suppress(InputError):
        read_list(data, name="list")


def test_no_cell_that_is_given_out_starts_like_a_formula(house: House) -> None:
    take(house, "lens,K40,,,40,2,,,-1+1\n", header=f"{HEADER.strip()},note\n")
    taken = import_house_list(house.record, export_house_list(house.record).encode(), who=WHO)
    assert taken.changed == (), "and the note is read back as it was typed"
    for row in csv.reader(io.StringIO(export_house_list(house.record))):
        assert not [cell for cell in row if cell[:1] in set("=+-@\t\r")]
