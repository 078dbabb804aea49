"""Bad input to ``shimwise judge``: one clear message, exit code 2, and nothing half-done."""

import contextlib
import io
import json
import tempfile
from pathlib import Path

import pytest
from bench_files import BENCH_1, HEADER, Run, Save, csv_text, exact_rows
from hypothesis import given, settings
from hypothesis import strategies as st

from property_cases import examples
from shimwise.cli import main

ROW = ["B1", "L1", "50", "2", "3'", "2' 11\"", "op", "near"]


def with_cell(column: str, text: str, *, header: tuple[str, ...] = HEADER) -> str:
    """A file of two rows, the second of which (line 3) has another text in one column."""
    other = list(ROW)
    other[header.index(column)] = text
    return csv_text([ROW, other], header=header)


def refused(run: Run, readings: Path, *options: str | Path) -> str:
    """Judge; check that nothing but one message is given, and give that."""
    figure = readings.parent / "figure.svg"
    code, out, err = run("judge", readings, *options, "--figure", figure, "--json")
    assert (code, out) == (2, "")
    assert not figure.exists()
    assert err.startswith("shimwise: ")
    assert err.count("\n") == 1, "one message"
    return err


@pytest.mark.parametrize(
    ("column", "text", "said"),
    [
        ("f_number", "0", "[0] is out of range; accepted is a number from 0.5 to 64, such as"),
        ("f_number", "nan", "[nan] is no number; accepted is a number from 0.5 to 64"),
        ("focal_length_mm", "NaN", "[NaN] is no number; accepted is a number from 1 to 5000"),
        ("distance", "NaN", "[NaN]"),
        ("distance", "3", "[3]"),
        ("reading", "about 3'", "[about 3']"),
        ("reading", "0", "[0]"),
        ("reading", "-3'", "[-3']"),
        ("distance", '7"', '[7"] is 177.8 mm, inside the near limit of L1: it can be sharp from 200.0 mm on'),
        ("reading", '7"', '[7"] is 177.8 mm, inside the near limit of L1'),
        ("focal_length_mm", "35", "L1 is 35 mm here, but 50 mm on line 2. A lens keeps its focal length"),
        ("body", '=HYPERLINK("x")', '[=HYPERLINK("x")] a name cannot start with ='),
        ("operator", "+cmd", "[+cmd] a name cannot start with +"),
        ("lens", "", "is empty"),
    ],
)
def test_a_cell_that_cannot_be_is_told_with_its_line_column_and_text(
    save: Save, run: Run, column: str, text: str, said: str
) -> None:
    message = refused(run, save(with_cell(column, text)))
    assert message.startswith(f"shimwise: readings.csv, line 3, column {column}: ")
    assert said in message


@pytest.mark.parametrize("text", ["NaN", "3", "about 3'", "0"])
def test_a_length_that_is_none_is_answered_with_the_forms_that_are(save: Save, run: Run, text: str) -> None:
    message = refused(run, save(with_cell("reading", text)))
    assert "3', 2' 11 1/2\", 35.5 in, 2-11.5 (feet-inches), 914 mm, 91.4 cm, 1.83 m, INF" in message


def test_missing_columns_are_all_named(save: Save, run: Run) -> None:
    message = refused(run, save("body,lens,distance,reading\nB1,L1,3',3'\n"))
    assert message.startswith(
        "shimwise: readings.csv, line 1: the columns focal_length_mm, f_number, operator, setup are missing. "
        "Found is: body, lens, distance, reading."
    )


def test_all_rows_that_are_wrong_are_told_at_once(save: Save, run: Run) -> None:
    rows = [
        ROW,
        [*ROW[:2], "fifty", *ROW[3:]],
        [*ROW[:5], "3 feat", *ROW[6:]],
        ROW[:3],
        [*ROW[:3], "T2", *ROW[4:]],
    ]
    code, out, err = run("judge", save(csv_text(rows)))
    first, *more = err.splitlines()
    assert (code, out, first) == (2, "", "shimwise: readings.csv: 4 rows are wrong.")
    places = [
        "line 3, column focal_length_mm: [fifty]",
        "line 4, column reading: [3 feat]",
        "line 5: has 3 fields",
    ]
    for line, told in zip(more, [*places, "line 6, column f_number: [T2] is a T-stop"], strict=True):
        assert line.startswith(f"  {told}")
    many = run("judge", save(csv_text([[*ROW[:3], "T2", *ROW[4:]]] * 50)))[2].splitlines()
    assert (len(many), many[0]) == (21, "shimwise: readings.csv: the first 20 rows that are wrong.")


def test_a_row_that_is_not_read_yet_is_left_out_and_said(save: Save, run: Run) -> None:
    empty = [[*ROW[:5], cell, *ROW[6:]] for cell in ("", " ", "-")]
    code, out, _ = run("judge", save(csv_text([ROW, *empty])))
    assert code == 1
    assert "3 rows have no reading yet, and are left out." in " ".join(out.split())
    assert "holds" not in refused(run, save(csv_text(empty)))
    assert "has no reading yet: the column reading is empty in every row." in refused(
        run, save(csv_text(empty))
    )


def test_bare_numbers_have_the_unit_of_their_column_or_of_the_option(save: Save, run: Run) -> None:
    header = tuple(
        {"distance": "distance_ft", "reading": "Reading (mm)", "setup": "Set-up"}.get(c, c) for c in HEADER
    )
    rows = [["B1", "L1", "50", "2", "3", "889", "op", "near"], ["B1", "L1", "50", "2", "6", "INF", "op", ""]]
    words = ("--json", "--seed", "1")
    named = run("judge", save(csv_text(rows, header=header)), *words)
    bare = [[*row[:4], str(304.8 * float(row[4])), *row[5:]] for row in rows]
    given = run("judge", save(csv_text(bare)), *words, "--unit", "mm")
    written = [[*row[:4], f"{row[4]} ft", row[5].replace("889", "889 mm"), *row[6:]] for row in rows]
    assert named == run("judge", save(csv_text(written)), *words)
    assert json.loads(named[1])["bodies"] == json.loads(given[1])["bodies"]
    assert run("judge", save(csv_text(bare)))[2].count("the number has no unit") == 2
    code, _, err = run("judge", save(csv_text(bare)), "--unit", "furlong")
    assert (code, err) == (2, "shimwise: --unit furlong: is no unit here; give mm, cm, m, in or ft.\n")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty. The first line has to name the columns"),
        (b"\n\n  \n", "is empty."),
        (b",", "holds separators and nothing between them."),
        (b",,\n,", "holds separators and nothing between them."),
        (csv_text([]).encode(), "has a header but no reading"),
        (csv_text([ROW]).encode("utf-16-le"), "holds the control character U+0000; it may be UTF-16"),
        (b"PK\x03\x04rest of a workbook", "is a workbook or an archive, not a CSV"),
        (csv_text([ROW]).encode() + b"B1,L\x81\xff,50,2,3',3',op,near\n", "cannot be read as UTF-8"),
        (csv_text([ROW]).encode() + b"B1,\"L1,50,2,3',3',op,near\n", "line 3: cannot be parted into fields"),
        (
            csv_text([ROW]).encode() + b"B1,L1,50\n",
            "line 3: has 3 fields where the header has 8: B1 | L1 | 50",
        ),
    ],
)
def test_a_file_that_is_no_readings_file_is_refused(
    tmp_path: Path, run: Run, content: bytes, said: str
) -> None:
    readings = tmp_path / "readings.csv"
    readings.write_bytes(content)
    assert said in refused(run, readings)


def test_a_file_that_is_not_there_and_a_folder_are_refused(tmp_path: Path, run: Run) -> None:
    assert "cannot be opened: No such file or directory" in refused(run, tmp_path / "none.csv")
    assert "cannot be opened: Is a directory" in refused(run, tmp_path)


@pytest.mark.parametrize(
    ("kit", "said"),
    [
        ("tolerance_um = ", "kit.toml, end of document: is no TOML: Invalid value."),
        ("tolerance = 10", "kit.toml, tolerance: is no key that is known here. Is tolerance_um meant?"),
        ("tolerance_um = 0", "kit.toml, tolerance_um: is 0; accepted is a number above 0 and up to 1000."),
        ("[bodies.B1]\ngauge_um = 3", "kit.toml, bodies.B1.gauge_um: stands without gauge_sd_um."),
        (
            "[lenses.L1]\nfocal_length_mm = 35",
            "line 2, column focal_length_mm: L1 is 50 mm here, but 35 mm",
        ),
        ('[bodies.B1]\nmechanism = "glue"', 'is "glue"; accepted is one of: screw, shimmed mount'),
    ],
)
def test_a_kit_that_cannot_be_is_told_with_its_key(save: Save, run: Run, kit: str, said: str) -> None:
    assert said in refused(run, save(csv_text([ROW])), "--kit", save(kit, "kit.toml"))


@pytest.mark.parametrize("tolerance", ["0", "-3", "nan", "inf", "2000"])
def test_a_tolerance_that_is_none_is_refused(save: Save, run: Run, tolerance: str) -> None:
    message = refused(run, save(csv_text([ROW])), "--tolerance", tolerance)
    assert "µm is none. Give one above 0 and up to 1000 µm, such as 10." in message


@pytest.mark.parametrize("name", ["out.jpg", "out", "nowhere/out.svg", "."])
def test_a_figure_that_cannot_be_saved_is_refused_before_the_readings_are_read(
    tmp_path: Path, run: Run, name: str
) -> None:
    code, out, err = run("judge", tmp_path / "none.csv", "--figure", tmp_path / name)
    assert (code, out) == (2, "")
    assert "figure" in err.lower()
    assert "none.csv" not in err
    assert list(tmp_path.iterdir()) == []


def test_an_existing_figure_stays_as_it_was_when_the_readings_are_refused(save: Save, run: Run) -> None:
    figure = save("mine", "figure.svg")
    code, _, _ = run("judge", save(with_cell("f_number", "0")), "--figure", figure)
    assert code == 2
    assert figure.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("judge", "READINGS.csv is missing. shimwise judge -h says what it takes."),
        ("judge a.csv --nonsense", "--nonsense is no option of shimwise judge"),
        ("judge a.csv b.csv", "b.csv is more than this command takes"),
        ("judge a.csv --seed", "--seed needs a value after it"),
        ("judge a.csv --seed x", "--seed x: is no whole number; write one as 8."),
        ("judge a.csv --seed=-1", "--seed -1: "),
        ("judge a.csv --tolerance 10mm", "--tolerance 10mm: is no number; write one as 8 or 2.5."),
        ("optics depth --focal 3q", "--focal 3q: is no length, at character 2: 'q' is no unit"),
        ("juge", "juge is no command of shimwise; perhaps judge is meant."),
    ],
)
def test_words_that_are_no_option_are_told_as_files_are(run: Run, words: str, said: str) -> None:
    code, out, err = run(*words.split())
    assert (code, out) == (2, "")
    assert err.startswith(f"shimwise: {said}")
    assert err.count("\n") == 1, "one sentence"


def test_fractions_quotes_and_spaces_of_the_example_are_accepted(run: Run) -> None:
    # The counterpart: the example's own file, with inch marks doubled within quotes, is judged.
    assert run("judge", BENCH_1 / "readings.csv", "--json")[0] == 1


def left_with(content: bytes) -> tuple[int, str, str]:
    """Judge a file of this content; give exit code, output and errors."""
    out, err = io.StringIO(), io.StringIO()
    with tempfile.TemporaryDirectory() as folder:
        readings = Path(folder) / "readings.csv"
        readings.write_bytes(content)
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as left,
        ):
            main(["judge", str(readings), "--json"])
    return int(left.value.code or 0), out.getvalue(), err.getvalue()


CELLS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["B1", "L1", "50", "2", "3'", "INF", "2' 11\"", "NaN", "0", "-", "=1", '"', "1e400", "½", "\x00"]
    ),
)


@settings(max_examples=examples(25), deadline=None)
@given(
    content=st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.lists(st.lists(CELLS, min_size=7, max_size=9), max_size=3).map(
            lambda rows: csv_text(rows).encode("utf-8", "surrogatepass")
        ),
    )
)
def test_whatever_the_file_holds_it_is_judged_or_refused_in_one_message(content: bytes) -> None:
    code, out, err = left_with(content)
    assert code in (0, 1, 2)
    if code == 2:
        assert out == ""
        first, *more = err.splitlines()
        assert first.startswith("shimwise: readings.csv")
        assert all(line.startswith("  line ") for line in more)
        assert not more or 2 <= len(more) <= 20
    else:
        assert (bool(out), err) == (True, "")


@settings(max_examples=examples(12), deadline=None)
@given(landings=st.lists(st.floats(-60, 60), min_size=1, max_size=6))
def test_whatever_lands_is_judged(landings: list[float]) -> None:
    rows = [
        row
        for number, landing in enumerate(landings)
        for row in exact_rows(
            landing_um=landing, focals_mm=(25 + 5 * (number % 3),), feet=(3 + number,), repeats=1
        )
    ]
    code, out, err = left_with(csv_text(rows).encode())
    assert (code in (0, 1), bool(out), err) == (True, True, "")
