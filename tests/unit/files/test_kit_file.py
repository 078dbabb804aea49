"""Kit files: the documented example is read, and every slip is told with its key."""

import json
import math
import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from property_cases import examples
from shimwise.errors import RecordError
from shimwise.files import kit_file
from shimwise.files.errors import KitError
from shimwise.files.kit import Kit, KitBody, KitLens
from shimwise.files.kit_file import parse_kit, read_kit
from shimwise.inference.model.prep import DEFAULT_COC_UM, BodyKnowledge, FocusDesign, LensKnowledge
from shimwise.remedy.mechanism import Fixed, Screw, ShimmedMount, Turn

EXAMPLE = textwrap.dedent(str(kit_file.__doc__).split("::\n", 1)[1])


def parse(text: str) -> Kit:
    return parse_kit(text, name="kit.toml")


def test_the_documented_example_is_read_to_the_last_key(tmp_path: Path) -> None:
    (tmp_path / "kit.toml").write_text(EXAMPLE, "utf-8")
    assert read_kit(tmp_path / "kit.toml") == Kit(
        tolerance_um=10,
        shim_stock_um=(10, 20, 50, 100),
        bodies={
            "B1": KitBody(
                mount="PL",
                pixel_pitch_um=5.5,
                circle_of_confusion_um=20,
                tolerance_um=8,
                history_mean_um=-2,
                history_sd_um=5,
                gauge_um=1.5,
                gauge_sd_um=3,
                mechanism=Screw(
                    um_per_turn=350, um_per_turn_sd=15, away=Turn.CLOCKWISE, has_lock=True, backlash_um=12
                ),
            ),
            "B2": KitBody(mechanism=ShimmedMount(stock_um=(10, 25, 50))),
            "B3 spare": KitBody(mechanism=Fixed()),
        },
        lenses={
            "L01": KitLens(
                mount="PL",
                focal_lengths_mm=(50,),
                fnumber=2,
                separation_mm=12.5,
                focus_design=FocusDesign.UNIT,
                marks_mm=(609.6, 914.4, 1219.2, 1828.8, 3048.0, math.inf),
                history_mean_um=3,
                history_sd_um=5,
                gauge_um=4,
                gauge_sd_um=4,
            ),
            "Z1": KitLens(focal_lengths_mm=(24, 50, 80), fnumber=2.8),
            "A1": KitLens(focal_lengths_mm=(40,), squeeze=2),
            "I1": KitLens(
                focal_lengths_mm=(85,),
                focus_design=FocusDesign.INTERNAL,
                by_distance=((914.4, 78, 10), (math.inf, 85, 14)),
            ),
        },
    )


def test_the_example_becomes_what_the_judge_takes_in() -> None:
    kit = parse(EXAMPLE)
    assert kit.body_knowledge()["B1"] == BodyKnowledge(
        history_mean_um=-2, history_sd_um=5, gauge_um=1.5, gauge_sd_um=3, coc_um=20, tolerance_um=8
    )
    assert kit.body_knowledge()["B2"] == BodyKnowledge(coc_um=DEFAULT_COC_UM)
    assert kit.lens_knowledge()["A1"] == LensKnowledge(focal_lengths_mm=(40,), squeeze=2)
    assert kit.lens_knowledge()["I1"].by_distance[0] == (914.4, 78, 10)
    assert kit.mechanisms()["B3 spare"] == Fixed()
    assert kit.lenses["Z1"].is_zoom
    assert not kit.lenses["L01"].is_zoom


def test_an_empty_kit_says_nothing() -> None:
    assert parse("") == Kit()


def test_a_byte_order_mark_is_accepted() -> None:
    assert parse_kit(b"\xef\xbb\xbftolerance_um = 5", name="kit.toml").tolerance_um == 5


def test_a_history_without_a_mean_is_about_nominal() -> None:
    assert parse("[lenses.L]\nhistory_sd_um = 5").lenses["L"].history_mean_um == 0


def test_a_stock_may_be_listed_in_any_order() -> None:
    assert parse("[shims]\nstock_um = [50, 10]").shim_stock_um == (50, 10)


def test_a_names_spaces_are_cleaned_as_in_the_readings() -> None:
    assert list(parse("[bodies.' B  1 ']").bodies) == ["B 1"]


REFUSED = [
    ("tolerence_um = 10", "tolerence_um", "no key that is known here. Is tolerance_um meant"),
    ("[bodies.B1]\ngage_um = 1", "bodies.B1.gage_um", "Is gauge_um meant"),
    ("[lenses.L]\nfocal_mm = 1", "lenses.L.focal_mm", "Known are: mount, focal_length_mm"),
    ("[bodies.B1.mechanism]\nkind = 'fixed'\naway = 'clockwise'", "bodies.B1.mechanism.away", "no key"),
    ("[shims]\nstock = [1]", "shims.stock", "Is stock_um meant"),
    ("tolerance_um = 0", "tolerance_um", "is 0; accepted is a number above 0 and up to 1000"),
    ("tolerance_um = '10'", "tolerance_um", "is a text; accepted is a number, without quotes"),
    ("tolerance_um = true", "tolerance_um", "is true or false; accepted is a number"),
    ("tolerance_um = [10]", "tolerance_um", "is a list; accepted is a number"),
    ("tolerance_um = 2031-01-02", "tolerance_um", "is a date or a time; accepted is a number"),
    ("tolerance_um = 1" + "0" * 400, "tolerance_um", "accepted is a number"),
    ("bodies = 3", "bodies", "is a number; accepted is a table"),
    ("[bodies]\nB1 = 3", "bodies.B1", "is a number; accepted is a table"),
    ("[bodies.'=1']", "bodies.=1", "cannot start with ="),
    ("[bodies.'']", "bodies", "is empty or stands there twice"),
    ("[bodies.B1]\n[bodies.' B1']", "bodies. B1", "is empty or stands there twice"),
    ("[bodies.B1]\nmount = 52", "bodies.B1.mount", "is a number; accepted is a text in quotes"),
    ("[bodies.B1]\nmount = '=x'", "bodies.B1.mount", "cannot start with ="),
    ("[bodies.B1]\nhistory_sd_um = -1", "bodies.B1.history_sd_um", "is -1; accepted is a number above 0"),
    ("[bodies.B1]\ngauge_um = nan\ngauge_sd_um = 1", "bodies.B1.gauge_um", "is nan; accepted is a number"),
    ("[bodies.B1]\ngauge_um = 52003\ngauge_sd_um = 1", "bodies.B1.gauge_um", "from -1000 to 1000"),
    ("[bodies.B1]\ngauge_um = 3", "bodies.B1.gauge_um", "stands without gauge_sd_um"),
    ("[bodies.B1]\ngauge_sd_um = 3", "bodies.B1.gauge_sd_um", "stands without gauge_um"),
    ("[lenses.L]\nhistory_mean_um = 3", "lenses.L.history_mean_um", "stands without history_sd_um"),
    ("[lenses.L]\nfocal_length_mm = [50, 35]", "lenses.L.focal_length_mm", "have to rise"),
    ("[lenses.L]\nfocal_length_mm = [35, 35]", "lenses.L.focal_length_mm", "have to rise, each once"),
    ("[lenses.L]\nfocal_length_mm = []", "lenses.L.focal_length_mm", "an empty list"),
    ("[lenses.L]\nf_number = 0", "lenses.L.f_number", "from 0.5 to 64"),
    ("[lenses.L]\nsqueeze = 0.5", "lenses.L.squeeze", "from 1 to 4"),
    (
        "[lenses.L]\nfocus_design = 'magic'",
        "lenses.L.focus_design",
        "accepted is one of: unit focus, internal",
    ),
    ("[lenses.L]\nby_distance = 3", "lenses.L.by_distance", "accepted is a list of tables"),
    ("[[lenses.L.by_distance]]\ndistance = '3 ft'", "lenses.L.by_distance[0].focal_length_mm", "is missing"),
    (
        "[[lenses.L.by_distance]]\ndistance = '3'\nfocal_length_mm = 1",
        "lenses.L.by_distance[0].distance",
        "the number has no unit",
    ),
    (
        "[lenses.L]\nby_distance = [{distance='3 m',focal_length_mm=1},{distance='3 m',focal_length_mm=2}]",
        "lenses.L.by_distance",
        "from near to far, each distance once",
    ),
    ("[bodies.B1]\nmechanism = 'glue'", "bodies.B1.mechanism", "accepted is one of: screw, shimmed mount"),
    (
        "[bodies.B1.mechanism]\naway = 'clockwise'",
        "bodies.B1.mechanism.kind",
        "is missing; accepted is screw",
    ),
    (
        "[bodies.B1.mechanism]\nkind = 'screw'\naway = 'left'",
        "bodies.B1.mechanism.away",
        "clockwise, anticlockwise",
    ),
    (
        "[bodies.B1.mechanism]\nkind = 'screw'\nhas_lock = 'yes'",
        "bodies.B1.mechanism.has_lock",
        "true or false",
    ),
    (
        "[bodies.B1.mechanism]\nkind = 'screw'\num_per_turn_sd = 1",
        "bodies.B1.mechanism",
        "without um_per_turn",
    ),
    ("[shims]\nstock_um = [10, 5000]", "shims.stock_um", "at most 2000"),
    ("a =", "end of document", "is no TOML"),
    ("tolerance_um = 10\ntolerance_um = 10\n", "line 2, column 18", "is no TOML"),
    ("tolerance_um = 10\nB1 mount", "line 2, column 4", "is no TOML"),
]


@pytest.mark.parametrize(("text", "key", "message"), REFUSED)
def test_a_slip_is_refused_with_its_key_and_what_is_accepted(text: str, key: str, message: str) -> None:
    with pytest.raises(KitError) as caught:
        parse(text)
    assert caught.value.key == key
    assert str(caught.value).startswith(f"kit.toml, {key}: ")
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"\xff\xfea\0", "byte 1 cannot be read as UTF-8"),
        (b"x = " + b"[" * 100_000, "nested too deeply"),
        (b"x = " + b"9" * 5000, "is no TOML"),
    ],
)
def test_a_file_that_is_no_kit_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(KitError, match=message):
        parse_kit(data, name="kit.toml")


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(KitError, match="cannot be opened"):
        read_kit(tmp_path / "none.toml")


def survives(data: bytes | str) -> None:
    try:
        kit = parse_kit(data, name="kit.toml")
    except RecordError as error:
        message = str(error)
    else:
        message = ""
        kit.body_knowledge()
        kit.lens_knowledge()
    assert len(message) < 700


@settings(deadline=None)
@given(st.one_of(st.text(), st.binary()))
def test_no_file_does_anything_but_parse_or_be_refused(data: bytes | str) -> None:
    survives(data)


PLACES = ["", "[shims]", "[bodies.B1]", "[bodies.B1.mechanism]\nkind = 'screw'", "[lenses.L]"]
PLACES += ["[bodies.B1.mechanism]\nkind = 'shimmed'", "[[lenses.L.by_distance]]\ndistance = '3 ft'"]
KEYS = sorted(
    {line.split(" = ")[0].strip() for line in EXAMPLE.splitlines() if " = " in line and "{" not in line}
)
VALUES = st.recursive(
    st.one_of(st.integers(), st.booleans(), st.text(max_size=8), st.floats().map(abs)),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=4,
)


@pytest.mark.slow
@settings(deadline=None, max_examples=examples(100))
@given(st.lists(st.tuples(st.sampled_from(PLACES), st.sampled_from(KEYS), VALUES), max_size=4))
def test_no_value_under_a_known_key_does_anything_but_parse_or_be_refused(
    entries: list[tuple[str, str, object]],
) -> None:
    text = "\n".join(f"{place}\n{key} = {json.dumps(value)}" for place, key, value in entries)
    survives(text.replace("Infinity", "inf").replace("NaN", "nan"))


@pytest.mark.parametrize("text", [f"{'.'.join(['a'] * 20_000)} = 1", f"[{' . '.join(['a'] * 20_000)}]"])
def test_a_key_of_thousands_of_parts_is_refused_before_it_is_read(text: str) -> None:
    # The library needs 1.6 GB and 100 s for it.
    with pytest.raises(KitError, match="nested too deeply"):
        parse(text)


def test_a_comment_may_have_many_dots() -> None:
    assert parse(f"# {'.' * 500}\ntolerance_um = 8").tolerance_um == 8


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    # Python reads 0xff… of any length, and refuses to write it.
    with pytest.raises(KitError, match="more than 100 digits"):
        parse_kit(f"[bodies.A]\npixel_pitch_um = 0x{'f' * 5000}\n", name="kit.toml")
