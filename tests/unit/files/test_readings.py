"""Readings files: what people's spreadsheets write is read, and rubbish never gets past with a number."""

import codecs
import csv
import io
import json
import math
import time
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from property_cases import examples
from shimwise.errors import RecordError
from shimwise.files.columns import KNOWN, REQUIRED
from shimwise.files.errors import ReadingsFileError
from shimwise.files.kit_file import parse_kit
from shimwise.files.names import cleaned_note, from_spreadsheet, to_spreadsheet
from shimwise.files.readings import PROGRESS_EVERY, ReadingsFile, parse_readings, read_readings
from shimwise.inference.model.prep import Axis, FocusDesign
from shimwise.lengths import length_to_mm
from shimwise.optics.conjugates import landing_um
from shimwise.sheets.words.notices import notice_texts

HEADER = ",".join(REQUIRED)
REFERENCE = Path(__file__).parents[2] / "reference"


def texts(file: ReadingsFile) -> tuple[str, ...]:
    return tuple(notice_texts(file.notices))


def parse(*rows: str, header: str = HEADER, kit: str = "") -> ReadingsFile:
    text = "\n".join([header, *rows])
    return parse_readings(text, name="r.csv", kit=parse_kit(kit, name="kit.toml"))


def row(**cells: str) -> str:
    usual = dict(zip(REQUIRED, ("B1", "L1", "50", "2", "6'", "1.8 m", "op", "S1"), strict=True))
    return ",".join((usual | cells).values())


def test_the_example_bench_is_read_whole() -> None:
    file = read_readings(REFERENCE / "bench-1" / "readings.csv")
    truth = json.loads((REFERENCE / "bench-1" / "truth.json").read_text("utf-8"))
    assert file.notices == ()
    assert len(file.readings) == 54
    assert [(r.row, r.line) for r in file.readings] == [(n, n + 2) for n in range(54)]
    assert {r.body for r in file.readings} == set(truth["bodies"])
    for reading in file.readings:
        assert reading.focal_mm == truth["lenses"][reading.lens]["focal_length_mm"]
    first = file.readings[0]
    assert first.distance_mm == 36 * 25.4
    assert first.reading_mm == float(Fraction(139, 4) * Fraction(254, 10))  # 34 3/4 in of 25.4 mm
    assert (first.operator, first.setup) == ("op1", "B1-D1")


def test_columns_come_in_any_order_case_and_spacing() -> None:
    header = "Setup, OPERATOR,Reading,distance,F-Number,Focal Length (mm),lens,Body"
    (reading,) = parse("S1,op,6',6',2.8,35,L1,B1", header=header).readings
    assert (reading.body, reading.lens, reading.focal_mm, reading.fnumber) == ("B1", "L1", 35, 2.8)


def test_columns_of_ones_own_are_not_read_and_said_so() -> None:
    file = parse(row() + ",x,y", header=HEADER + ",job,sqeeze")
    assert texts(file) == ("Column job is not read.", "Column sqeeze is not read. Is squeeze meant?")


def test_optional_columns_are_read() -> None:
    header = HEADER + ",squeeze,axis,principal_separation_mm,stop,at,note,focus_design"
    file = parse(row() + ',2,H,-3.5,T2.1,2031-01-02 09:30,"two\nlines, no less",Internal', header=header)
    (reading,) = file.readings
    assert (reading.squeeze, reading.axis, reading.separation_mm) == (2, Axis.HORIZONTAL, -3.5)
    assert (reading.stop, reading.at, reading.note) == ("T2.1", "2031-01-02 09:30", "two lines, no less")
    assert reading.focus_design is FocusDesign.INTERNAL


def test_infinity_is_a_distance() -> None:
    (reading,) = parse(row(distance="INF", reading="inf")).readings
    assert reading.distance_mm == reading.reading_mm == math.inf


def test_one_reading_alone_is_accepted() -> None:
    assert len(parse(row()).readings) == 1


def test_a_set_up_without_a_name_is_named_after_body_and_distance_once() -> None:
    file = parse(*(row(setup="", distance=text, body=body) for body in "ab" for text in ("6'", "6 ft", "7'")))
    assert [r.setup for r in file.readings] == [
        "a at 6'",
        "a at 6'",
        "a at 7'",
        "b at 6'",
        "b at 6'",
        "b at 7'",
    ]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_line_end_is_accepted_and_blank_lines_keep_their_number(end: str) -> None:
    text = end.join(["", HEADER, row(), "", ",,,,,,,", row(lens="L2"), ""])
    file = parse_readings(text, name="r.csv")
    assert [(r.row, r.line) for r in file.readings] == [(0, 3), (1, 6)]


def test_a_quoted_line_end_does_not_shift_the_lines_that_follow() -> None:
    file = parse(row() + ',"a\nb\nc"', row() + ",", header=HEADER + ",note")
    assert [r.line for r in file.readings] == [2, 5]


def test_empty_fields_past_the_header_are_a_spreadsheets_habit() -> None:
    assert len(parse(row() + ",,", header=HEADER + ",,").readings) == 1


def test_unquoted_inch_marks_are_read() -> None:
    (reading,) = parse(row(reading="5' 11 1/2\"")).readings
    assert reading.reading_mm == pytest.approx(71.5 * 25.4, rel=1e-15)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_semicolons_and_tabs_part_fields_and_allow_decimal_commas(separator: str) -> None:
    text = f"{HEADER}\nB1,L1,12#5,2#8,10#5 m,10#5 m,op,".replace(",", separator).replace("#", ",")
    (reading,) = parse_readings(text, name="r.csv").readings
    assert (reading.focal_mm, reading.fnumber, reading.distance_mm) == (12.5, 2.8, 10_500)


@pytest.mark.parametrize("text", ["50mm", "50 mm", "50 MM", "5e1", "+50", "50."])
def test_a_focal_length_may_carry_its_unit(text: str) -> None:
    assert parse(row(focal_length_mm=text)).readings[0].focal_mm == 50


@pytest.mark.parametrize("text", ["2.8", "f/2.8", "F2.8", "f 2.8"])
def test_an_f_number_may_be_written_as_on_a_lens(text: str) -> None:
    assert parse(row(f_number=text)).readings[0].fnumber == 2.8


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_every_unicode_encoding_with_its_mark_is_read_without_a_word(encoding: str) -> None:
    text = f"{HEADER}\n{row(body='Øst', reading='5’ 11 ½”')}"
    file = parse_readings(text.encode(encoding), name="r.csv")
    assert (file.readings[0].body, file.notices) == ("Øst", ())


@pytest.mark.parametrize("mark", [codecs.BOM_UTF16_BE])
def test_utf_16_of_the_other_byte_order_is_read(mark: bytes) -> None:
    assert parse_readings(mark + f"{HEADER}\n{row()}".encode("utf-16-be"), name="r.csv").readings


def test_windows_1252_is_read_where_it_makes_sense_and_said_so() -> None:
    file = parse_readings(f"{HEADER}\n{row(body='Øst', reading='5’ 11 ½”')}".encode("cp1252"), name="r.csv")
    assert file.readings[0].body == "Øst"
    assert "Windows-1252" in texts(file)[0]


def test_accents_written_in_two_ways_are_one_name() -> None:
    file = parse(row(body="Zoe\u0308"), row(body="Zo\u00eb"))
    assert len({r.body for r in file.readings}) == 1


def test_names_that_differ_in_case_only_are_warned_of() -> None:
    assert texts(parse(row(body="B1"), row(body="b1"))) == (
        "Bodies B1 and b1 are taken for different ones. Write one name one way.",
    )
    assert "Lenses L1 and l1" in texts(parse(row(), kit="[lenses.l1]"))[0]


KIT = """
[lenses.Z1]
focal_length_mm = [24, 80]
[lenses.P1]
focal_length_mm = 50
principal_separation_mm = 30
squeeze = 2
focus_design = "internal"
"""


def test_a_zoom_of_the_kit_may_change_its_focal_length() -> None:
    rows = [row(lens="Z1", focal_length_mm=text) for text in ("24", "50", "80")]
    assert len(parse(*rows, kit=KIT).readings) == 3


def test_the_kit_fills_in_what_the_rows_leave_out() -> None:
    (reading,) = parse(row(lens="P1")).readings
    assert (reading.squeeze, reading.focus_design) == (1, None)
    (reading,) = parse(row(lens="P1") + ",v", header=HEADER + ",axis", kit=KIT).readings
    assert (reading.squeeze, reading.axis, reading.focus_design) == (2, Axis.VERTICAL, FocusDesign.INTERNAL)


def test_a_lens_may_be_read_at_the_least_distance_that_can_be_sharp() -> None:
    # Object and image of a thin lens lie at least 4 f apart (Hecht, Optics, ch. 5; from memory).
    assert parse(row(distance="200 mm", reading="200 mm")).readings
    survives(f"{HEADER}\n{row(distance='200 mm', reading='INF')}")


NEAR = [
    ("199.9 mm", "6'", "", "", "distance", "200.0 mm on"),
    ("6'", "199.9 mm", "", "", "reading", "200.0 mm on"),
    ("212 mm", "6'", "12.5", "", "distance", "212.5 mm on"),
    ("6'", "99 mm", "", "2,h", "reading", "100.0 mm on"),
    ("6'", "199 mm", "", "2,v", "reading", "200.0 mm on"),
    ("141 mm", "6'", "", "2,", "distance", "141.4 mm on"),
]


@pytest.mark.parametrize(("distance", "reading", "separation", "axis", "column", "least"), NEAR)
def test_inside_the_near_limit_is_refused_with_the_least_distance(
    distance: str, reading: str, separation: str, axis: str, column: str, least: str
) -> None:
    header = HEADER + ",principal_separation_mm,squeeze,axis"
    with pytest.raises(
        ReadingsFileError, match=rf"line 2, column {column}: .*inside the near limit of L1.*{least}"
    ):
        parse(f"{row(distance=distance, reading=reading)},{separation},{axis or ','}", header=header)


def test_the_kits_separation_counts_for_the_near_limit() -> None:
    kit = "[lenses.L1]\nprincipal_separation_mm = 100"
    with pytest.raises(ReadingsFileError, match=r"300\.0 mm on"):
        parse(row(reading="250 mm"), kit=kit)


def test_a_lens_with_a_table_is_near_where_its_table_says() -> None:
    kit = """
    [lenses.L1]
    by_distance = [{ distance = "1 ft", focal_length_mm = 40, principal_separation_mm = 5 },
                   { distance = "INF", focal_length_mm = 50 }]
    """
    assert parse(row(reading="165 mm"), kit=kit).readings
    with pytest.raises(ReadingsFileError, match=r"165\.0 mm on"):
        parse(row(reading="164 mm"), kit=kit)


REFUSED = [
    ("focal_length_mm", "0", "0] is out of range; accepted is a number from 1 to 5000 mm"),
    ("focal_length_mm", "", "is empty; accepted"),
    ("focal_length_mm", "fifty", "fifty] is no number"),
    ("focal_length_mm", "1_000", "is no number"),
    ("focal_length_mm", "٥٠", "is no number"),
    ("f_number", "0", r"0] is out of range; accepted is a number from 0\.5 to 64, such as 2\.8"),
    ("f_number", "-2", "out of range"),
    ("f_number", "65", "out of range"),
    ("f_number", "0.4", "out of range"),
    ("f_number", "nan", "nan] is no number"),
    ("f_number", "inf", "is no number"),
    ("f_number", "1e999", "out of range"),
    ("f_number", '"2,8"', "A decimal comma needs ; between the fields"),
    ("f_number", "T2.8", "is a T-stop"),
    (
        "distance",
        "3",
        r"3] is no length at character 2: the number has no unit\. Accepted are 3', 2' 11 1/2\"",
    ),
    ("distance", "0 mm", "zero"),
    ("distance", "-3 ft", "negative"),
    ("distance", "nan", "no length"),
    ("distance", "", "is no length: nothing is written"),
    ("distance", "=1+1", "no length"),
    ("reading", "20000 km", "no length"),
    ("reading", "10001 m", "accepted is up to 10 km, or INF"),
    ("body", "", "is empty; every reading names its body"),
    ("body", "=1+1", "cannot start with =, which a spreadsheet would run"),
    ("lens", "@x", "cannot start with @"),
    ("lens", "+cmd", r"cannot start with \+"),
    ("lens", "-1", "cannot start with -"),
    ("lens", "＝1", "cannot start with ＝"),
    ("operator", "=x", "cannot start with ="),
    ("setup", "a" * 81, "81 characters is too long; 80 are accepted"),
    ("body", "a\u200bb", r"control character U\+200B"),
    ("body", '"a\tb"', r"control character U\+0009"),
    ("body", '"a\nb"', r"control character U\+000A"),
    ("body", "a\u202eb", r"control character U\+202E"),
]


@pytest.mark.parametrize(("column", "text", "message"), REFUSED)
def test_a_cell_that_cannot_be_is_refused_with_line_column_and_what_is_accepted(
    column: str, text: str, message: str
) -> None:
    with pytest.raises(ReadingsFileError, match=rf"^r\.csv, line 3, column {column}: .*{message}") as caught:
        parse(row(), row(**{column: text}))
    assert (caught.value.line, caught.value.column, caught.value.found) == (3, column, text.strip('"'))


REFUSED_OPTIONAL = [
    ("squeeze", "0.5", "accepted is a number from 1 to 4"),
    ("squeeze", "wide", "no number"),
    ("axis", "diagonal", "accepted is vertical, horizontal, v, h"),
    ("axis", "v", "L1 has no squeeze"),
    ("principal_separation_mm", "nan", "no number"),
    ("principal_separation_mm", "-1001", "accepted is a number from -1000 to 1000"),
    ("focus_design", "magic", "accepted is unit focus, internal focus"),
    ("note", "=cmd()", "a note cannot start with ="),
    ("note", "x" * 1001, "1001 characters is too long; 1000"),
]


@pytest.mark.parametrize(("column", "text", "message"), REFUSED_OPTIONAL)
def test_an_optional_cell_that_cannot_be_is_refused(column: str, text: str, message: str) -> None:
    with pytest.raises(ReadingsFileError, match=rf"line 2, column {column}: .*{message}"):
        parse(f"{row()},{text}", header=f"{HEADER},{column}")


@pytest.mark.slow
def test_a_first_line_of_millions_of_fields_is_refused_at_once() -> None:
    with pytest.raises(ReadingsFileError, match="line 1: has 3000001 fields"):
        parse_readings("," * 3_000_000 + "x", name="r.csv")


def test_all_missing_columns_are_named_at_once() -> None:
    with pytest.raises(ReadingsFileError, match="line 1: the columns lens, f_number, setup are missing"):
        parse("x", header="body,focal_length_mm,distance,reading,operator")


def test_a_file_without_a_header_tells_the_header() -> None:
    with pytest.raises(
        ReadingsFileError, match=r"Found is: B1, L1.* The header has to name body, lens, focal"
    ):
        parse_readings(row(), name="r.csv")


def test_a_column_that_stands_there_twice_is_refused() -> None:
    with pytest.raises(ReadingsFileError, match=r"line 1, column lens: .* twice, in place 2 and 9"):
        parse(row() + ",x", header=HEADER + ",Lens")


@pytest.mark.parametrize("cells", ["B1,L1,50", row() + ",more", row(f_number="2,8")])
def test_a_row_of_the_wrong_width_is_refused(cells: str) -> None:
    with pytest.raises(ReadingsFileError, match=r"line 2: has \d+ fields where the header has 8: B1 \| L1"):
        parse(cells)


CHANGES = [
    (
        "focal_length_mm",
        "50,,,",
        "35,,,",
        r"L1 is 35 mm here, but 50 mm on line 2.*\[lenses\.L1\] .* = \[35, 50\]",
    ),
    ("squeeze", "50,2,,", "50,1.8,,", "has 1.8 here, but 2 on line 2"),
    ("squeeze", "50,2,,", "50,,,", "has 1 here, but 2 on line 2"),
    ("principal_separation_mm", "50,,10,", "50,,12,", "has 12 here, but 10 on line 2"),
    ("principal_separation_mm", "50,,10,", "50,,,", "has nothing here, but 10 on line 2"),
    ("focus_design", "50,,,unit", "50,,,internal", "has internal focus here, but unit focus on line 2"),
]


@pytest.mark.parametrize(("column", "first", "then", "message"), CHANGES)
def test_what_a_lens_is_cannot_change_between_rows(column: str, first: str, then: str, message: str) -> None:
    header = "body,lens,f_number,distance,reading,operator,setup,focal_length_mm,squeeze,"
    header += "principal_separation_mm,focus_design"
    start = "B1,L1,2,6',6',op,s,"
    with pytest.raises(ReadingsFileError, match=f"line 3, column {column}: .*{message}"):
        parse(start + first, start + then, header=header)


def test_a_lens_that_focuses_inside_may_change_its_separation_with_distance_only() -> None:
    header = HEADER + ",focus_design,principal_separation_mm"
    rows = [row(distance=d) + f",internal,{h}" for d, h in (("6'", "10"), ("3'", "12"), ("6'", "11"))]
    assert len(parse(*rows[:2], header=header).readings) == 2
    with pytest.raises(ReadingsFileError, match="line 4, column principal_separation_mm"):
        parse(*rows, header=header)


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (row(lens="P1", focal_length_mm="35"), "P1 is 35 mm here, but 50 mm in the kit"),
        (row(lens="Z1", focal_length_mm="85"), "Z1 is 85 mm here, but 24 to 80 mm in the kit"),
    ],
)
def test_a_focal_length_that_the_kit_contradicts_is_refused(cells: str, message: str) -> None:
    with pytest.raises(ReadingsFileError, match=f"line 2, column focal_length_mm: {message}"):
        parse(cells, kit=KIT)


def test_a_squeeze_that_the_kit_contradicts_is_refused() -> None:
    with pytest.raises(ReadingsFileError, match=r"has 1\.5 here, but 2 in the kit"):
        parse(row(lens="P1") + ",1.5", header=HEADER + ",squeeze", kit=KIT)


def test_the_advice_for_a_zoom_is_a_kit_that_is_accepted() -> None:
    rows = [row(lens='"my ""zoom"""', focal_length_mm=text) for text in ("50", "24")]
    with pytest.raises(ReadingsFileError) as caught:
        parse(*rows)
    table, values = str(caught.value).split("kit file: ")[1].split("] ", 1)
    assert len(parse(*rows, kit=f"{table}]\n{values}").readings) == 2


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b" \r\n\n ", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (HEADER.encode(), "has a header but no reading"),
        (f"{HEADER}\n,,,,,,,\n".encode(), "has a header but no reading"),
        (
            f"{HEADER}\n{row()}".encode("utf-16-le"),
            r"line 1: holds the control character U\+0000; it may be UTF-16",
        ),
        (f"{HEADER}\n{row()}\n\x07".encode(), r"line 3: holds the control character U\+0007"),
        (b"PK\x03\x04rest", "a workbook or an archive"),
        (bytes(range(256)), "cannot be read as UTF-8, and it is in no other encoding"),
        (f"{HEADER}\nB\xa5\xa4,".encode("latin-1"), "no other encoding that is accepted"),
        (codecs.BOM_UTF16_LE + b"abc", "cannot be read as UTF-16"),
        (f'{HEADER}\n{row()}\nB1,"open'.encode(), "line 3: cannot be parted into fields.*has to be closed"),
        (f'{HEADER}\n"5\' 1""",x\n"5\' 1" 2'.encode(), "line 2: has 2 fields"),
        (f'{HEADER}\n"5\' 1" 2'.encode(), "line 2: cannot be parted .*an inch mark within"),
        (f"{HEADER}\n{'x' * 200_000}".encode(), "line 2: cannot be parted .*field larger"),
    ],
)
def test_a_file_that_is_no_readings_file_is_refused_in_one_message(data: bytes, message: str) -> None:
    with pytest.raises(ReadingsFileError, match=rf"(?s)^r\.csv[,:] .*{message}"):
        parse_readings(data, name="r.csv")


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadingsFileError, match="cannot be opened: No such file"):
        read_readings(tmp_path / "none.csv")
    with pytest.raises(ReadingsFileError, match="cannot be opened"):
        read_readings(tmp_path)
    with pytest.raises(ReadingsFileError, match="cannot be opened"):
        read_readings("nul\0name")


def test_a_message_repeats_no_characters_that_act_on_a_terminal() -> None:
    with pytest.raises(ReadingsFileError) as caught:
        parse(row(f_number="2\u202e\u200b" + "9" * 500))
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300


def many(count: int) -> bytes:
    rows = (
        row(body=f"B{n % 20}", lens=f"L{n % 40}", focal_length_mm=f"{18 + n % 40}", distance=f"{3 + n % 9}'",
            reading=f"{2 + n % 9}' {n % 12} 1/{2 ** (1 + n % 3)}\"", setup="")
        for n in range(count)
    )  # fmt: skip
    return "\n".join([HEADER, *rows]).encode()


@pytest.mark.slow
def test_twenty_thousand_rows_take_less_than_a_second_and_tell_how_far_they_are() -> None:
    data = many(20_000)
    took_s = []
    for _ in range(3):  # the least of three: a worker next door costs memory bandwidth
        told: list[tuple[int, int]] = []
        start_s = time.process_time()
        file = parse_readings(data, name="r.csv", progress=lambda done, total: told.append((done, total)))  # noqa: B023
        took_s.append(time.process_time() - start_s)
    assert min(took_s) < 1.0
    assert len(file.readings) == 20_000
    assert len(told) == 20_001 // PROGRESS_EVERY + 1
    assert told == sorted(told)
    assert told[-1] == (20_001, 20_001)


def test_the_progress_can_end_the_reading() -> None:
    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        parse_readings(many(2000), name="r.csv", progress=stop)


LENGTHS = ["3'", "6 ft", "2' 11 1/2\"", "35.5 in", "2-11.5", "914 mm", "91.4 cm", "10,5 m", "INF"]
NAMES = st.text("abcXYZ019 éß_.#/(),;'\"", min_size=1, max_size=12).map(str.strip).filter(bool)
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "body": NAMES,
            "lens": NAMES,
            "focal_length_mm": st.floats(1, 100),
            "f_number": st.floats(0.5, 64),
            "distance": st.sampled_from(LENGTHS),
            "reading": st.sampled_from(LENGTHS),
            "operator": NAMES,
            "setup": NAMES,
            "note": NAMES,
        }
    ),
    min_size=1,
    max_size=5,
    unique_by=lambda cells: cells["lens"],
)


@settings(deadline=None)
@given(
    rows=ROWS,
    order=st.permutations([*REQUIRED, "note"]),
    separator=st.sampled_from(",;\t"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_what_a_spreadsheet_writes_comes_back_the_same(
    rows: list[dict[str, str | float]],
    order: list[str],
    separator: str,
    encoding: str,
    end: str,
    quoting: int,
) -> None:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, order, delimiter=separator, lineterminator=end, quoting=quoting)  # type: ignore[arg-type]
    writer.writeheader()
    writer.writerows(rows)
    file = parse_readings(out.getvalue().encode(encoding), name="r.csv")
    for number, (reading, cells) in enumerate(zip(file.readings, rows, strict=True)):
        assert (reading.row, reading.line) == (number, number + 2)
        assert (reading.focal_mm, reading.fnumber) == (cells["focal_length_mm"], cells["f_number"])
        assert reading.distance_mm == length_to_mm(str(cells["distance"]))
        assert reading.reading_mm == length_to_mm(str(cells["reading"]))
        for word in ("body", "lens", "operator", "setup", "note"):
            assert getattr(reading, word) == " ".join(str(cells[word]).split())


def survives(data: bytes | str) -> None:
    """Either one message of a sensible length, or readings that the optics can turn into landings."""
    try:
        file = parse_readings(data, name="r.csv")
    except RecordError as error:
        messages: tuple[str, ...] = (str(error),)
    else:
        messages = texts(file)
        assert file.readings
        for reading in file.readings:
            narrowing = {Axis.HORIZONTAL: reading.squeeze, Axis.VERTICAL: 1.0}
            landing = landing_um(
                focal_mm=reading.focal_mm / narrowing.get(reading.axis, math.sqrt(reading.squeeze)),
                distance_mm=reading.distance_mm,
                reading_mm=reading.reading_mm,
                separation_mm=reading.separation_mm or 0.0,
            )
            assert math.isfinite(landing)
    for line in (line for message in messages for line in message.split("\n")):
        assert line.isprintable()
        assert len(line) < 700


@settings(deadline=None)
@given(st.text())
@example("\ud800")
@example('"')
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    survives(text)
    survives(f"{HEADER}\n{text}")
    survives(f"{HEADER},{text}\n{row()}")
    survives(f"{HEADER}\n{row()}\n{text},{row()}")


@settings(deadline=None)
@given(
    st.binary(),
    st.sampled_from([b"", codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, HEADER.encode()]),
)
def test_no_bytes_do_anything_but_parse_or_be_refused(data: bytes, start: bytes) -> None:
    survives(start + data)


CELLS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        [*LENGTHS, "B1", "50", "2.8", "0", "-1", "nan", "1e400", "=1", "v", "internal", "", "2x", "f/"]
    ),
)


@settings(deadline=None, max_examples=examples(100))
@given(
    st.lists(st.lists(CELLS, min_size=len(KNOWN), max_size=len(KNOWN)), max_size=4), st.sampled_from(",;\t")
)
@pytest.mark.slow
def test_no_cells_do_anything_but_parse_or_be_refused(rows: list[list[str]], separator: str) -> None:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(KNOWN)
    writer.writerows(rows)
    survives(out.getvalue())


@pytest.mark.slow
@settings(deadline=None, max_examples=examples(100))
@given(st.lists(st.dictionaries(st.sampled_from(KNOWN), CELLS, max_size=3), min_size=1, max_size=3))
def test_no_few_wrong_cells_in_a_good_file_do_anything_but_parse_or_be_refused(
    wrong: list[dict[str, str]],
) -> None:
    good = dict(zip(REQUIRED, ("B1", "L1", "50", "2", "6'", "1.8 m", "op", "S1"), strict=True))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, KNOWN, restval="")
    writer.writeheader()
    writer.writerows(good | cells for cells in wrong)
    survives(out.getvalue())


@pytest.mark.parametrize("note", ["+2 marks", "-1+1", "−3", "'+2", "''-1", "plain", "'quoted'"])
def test_a_note_may_begin_with_a_sign_and_comes_back_from_a_spreadsheet(note: str) -> None:
    # Begins of a cell that a spreadsheet runs: OWASP, "CSV Injection".
    written = to_spreadsheet(cleaned_note(note))
    assert written[0] not in "=+-@"
    assert from_spreadsheet(written) == note


@pytest.mark.parametrize(
    ("one", "other", "is_alike"),
    [
        ("A-07", "\N{CYRILLIC CAPITAL LETTER A}-07", True),
        ("A-07", "A-O7", True),
        ("A-07", "A\N{EN DASH}07", True),
        ("B1", "Bl", True),
        ("H50", "\N{GREEK CAPITAL LETTER ETA}50", True),
        ("Set H", "SetH", True),
        ("A-07", "A-08", False),
        ("H50", "H60", False),
        ("B1", "B11", False),
    ],
)
def test_names_that_look_alike_are_warned_of(one: str, other: str, is_alike: bool) -> None:
    rows = "".join(f"{body},H50,50,2,3',3',Bo,\n" for body in (one, other))
    text = f"body,lens,focal_length_mm,f_number,distance,reading,operator,setup\n{rows}"
    notices = parse_readings(text, name="readings.csv").notices
    assert ("names_alike" in {notice.code for notice in notices}) is is_alike
