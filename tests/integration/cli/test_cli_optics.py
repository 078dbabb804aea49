"""Whole commands of ``shimwise optics``, as a person or a program calls them."""

import json
import re
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from shimwise import __version__
from shimwise.cli.commands import COMMANDS
from shimwise.lengths import length_to_mm

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def ask(run: Run) -> Callable[..., Any]:
    """Run ``shimwise optics … --json`` and give what it says, refusing what standard JSON has no word for."""

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is not JSON")

    def call(*words: str) -> Any:  # noqa: ANN401 (JSON)
        code, out, err = run("optics", *words, "--json")
        assert (code, err) == (0, "")
        return json.loads(out, parse_constant=refuse)

    return call


def test_length_is_told_in_millimetres(ask: Callable[..., Any]) -> None:
    assert ask("length", "2' 11 1/2\"") == {"mm": 901.7}
    assert ask("length", "INF") == {"mm": None}


def test_landing_has_its_keys_and_takes_text_or_plain_millimetres(ask: Callable[..., Any]) -> None:
    # Row of tests/reference/optics_flange.csv: double Gauss 50/2, 914.4 mm, error -50 µm.
    lens = ("--focal", "50.001874", "--separation", "-15.61589")
    answer = ask("landing", *lens, "--distance", "3'", "--reading", "900.99533 mm")
    assert answer == {
        "landing_um": pytest.approx(-50, abs=1e-3),
        "magnification": pytest.approx(0.060462569, abs=1e-8),
    }
    assert ask("landing", *lens, "--distance", "914.4 mm", "--reading", "90.099533 cm") == answer


@pytest.mark.parametrize(("landing_um", "expected_mm"), [("-50", 900.99533), ("20", 919.88731)])
def test_reading_has_its_keys_and_takes_either_sign(
    ask: Callable[..., Any], landing_um: str, expected_mm: float
) -> None:
    answer = ask(
        *("reading", "--focal", "50.001874", "--separation", "-15.61589"),
        *("--distance", "914.4 mm", "--landing", landing_um),
    )
    assert answer.keys() == {"reading_mm", "reading_text"}
    assert answer["reading_mm"] == pytest.approx(expected_mm, abs=1e-3)
    assert length_to_mm(answer["reading_text"]) == pytest.approx(expected_mm, abs=25.4 / 32)


def test_a_ring_at_infinity_is_null_and_inf(ask: Callable[..., Any]) -> None:
    answer = ask("reading", "--focal", "25", "--distance", "INF", "--landing", "0")
    assert answer == {"reading_mm": None, "reading_text": "INF"}


def test_depth_has_its_keys_and_null_beyond_hyperfocal(ask: Callable[..., Any]) -> None:
    # Rows of tests/reference/depth_of_field.csv.
    lens = ("depth", "--focal", "18", "--fnumber", "2", "--coc", "0.025")
    assert ask(*lens, "--distance", "3'") == {
        "hyperfocal_mm": pytest.approx(6498.0),
        "near_mm": pytest.approx(803.2796, abs=1e-4),
        "far_mm": pytest.approx(1061.1992, abs=1e-4),
        "magnification": pytest.approx(0.02008032, abs=1e-8),
        "depth_of_focus_mm": pytest.approx(0.102008, abs=1e-7),
    }
    assert ask(*lens, "--distance", "10 m")["far_mm"] is None


@pytest.mark.parametrize("defocus_um", ["25", "-25"])
def test_mtf_has_its_keys_and_keeps_the_sign_of_reversed_contrast(
    ask: Callable[..., Any], defocus_um: str
) -> None:
    # Row of tests/reference/mtf_defocus.csv.
    answer = ask("mtf", "--fnumber", "1.4", "--frequency", "80", "--defocus-um", defocus_um)
    assert answer == {
        "otf": pytest.approx(-0.05715548, abs=1e-6),
        "mtf": pytest.approx(0.05715548, abs=1e-6),
    }


def test_mtf_takes_the_wavelength(ask: Callable[..., Any]) -> None:
    # Beyond the cut-off 1/(λN) of 2 µm light at f/8 nothing passes; green light passes.
    words = ("mtf", "--fnumber", "8", "--frequency", "70", "--defocus-um", "0")
    assert ask(*words, "--wavelength-um", "2")["mtf"] == 0
    assert ask(*words)["mtf"] > 0.5


def test_plate_heat_and_mounts_have_their_keys(ask: Callable[..., Any]) -> None:
    # Rows of tests/reference/plate_shift.csv, thermal.csv, mounts.csv.
    plate = ("plate", "--thickness", "0.1", "--index", "1.5")
    assert ask(*plate) == {"shift_um": pytest.approx(33.33333333)}
    assert ask(*plate, "--fnumber", "2") == {"shift_um": pytest.approx(34.53463293)}
    heat = ("heat", "--material", "Aluminium", "--length", "52mm", "--kelvin", "-25")
    assert ask(*heat) == {"change_um": pytest.approx(-30.68)}
    mounts = ask("mounts")
    assert all(mount.keys() == {"mount", "flange_mm", "source"} for mount in mounts)
    assert {"PL": 52.0, "C": 17.526}.items() <= {
        mount["mount"]: mount["flange_mm"] for mount in mounts
    }.items()


PLAIN = {
    ("length", "3'"): "914.4 mm",
    ("length", "inf"): "Infinity",
    ("landing", "--focal", "50", "--distance", "3'", "--reading", "2' 11 1/2\""): "µm short at the sensor",
    ("landing", "--focal", "50", "--distance", "3'", "--reading", "INF"): "µm deep at the sensor",
    ("landing", "--focal", "50", "--distance", "3'", "--reading", "3'"): "on the mark",
    ("reading", "--focal", "24", "--distance", "10m", "--landing", "-20"): "24' 5 1/16\" (7.4442 m)",
    ("reading", "--focal", "24", "--distance", "INF", "--landing", "0"): "stands at infinity",
    ("depth", "--focal", "18", "--fnumber", "2", "--coc", "0.025", "--distance", "10m"): "infinity",
    (
        "mtf",
        "--fnumber",
        "1.4",
        "--frequency",
        "80",
        "--defocus-um",
        "25",
    ): "5.72 % of the contrast, light and dark",
    (
        "plate",
        "--thickness",
        "0.1",
        "--index",
        "1.5",
        "--fnumber",
        "2",
    ): "34.53 µm away from the lens (marginal ray",
    ("heat", "--material", "alu", "--length", "52", "--kelvin", "-25"): "shrinks by 30.68 µm",
    ("mounts",): "52.000 mm  common practice",
}


@pytest.mark.parametrize(("words", "said"), PLAIN.items(), ids=lambda value: " ".join(value)[:30])
def test_without_json_a_person_reads_units_within_eighty_columns(
    run: Run, words: tuple[str, ...], said: str
) -> None:
    code, out, err = run("optics", *words)
    assert (code, err) == (0, "")
    assert said in out
    assert max(len(line) for line in out.splitlines()) <= 80


REFUSED = {
    ("length", "3"): "the number has no unit",
    ("length", "-3 ft"): "a length cannot be negative",
    ("length", ""): "nothing is written",
    (
        "landing",
        "--focal",
        "50",
        "--distance",
        "3 ftt",
        "--reading",
        "3'",
    ): "--distance 3 ftt: is no length",
    (
        "landing",
        "--focal",
        "50",
        "--distance",
        "150 mm",
        "--reading",
        "3'",
    ): "inside the near limit of 200 mm",
    ("landing", "--focal", "INF", "--distance", "3'", "--reading", "3'"): "inf cannot be the focal length",
    ("landing", "--focal", "50", "--distance", "3'"): "--reading is missing",
    ("reading", "--focal", "24", "--distance", "10m", "--landing", "90"): "beyond the infinity mark",
    ("reading", "--focal", "24", "--distance", "10m", "--landing", "nan"): "nan cannot be the landing",
    (
        "depth",
        "--focal",
        "50",
        "--fnumber",
        "0",
        "--coc",
        "0.02",
        "--distance",
        "3'",
    ): "0 cannot be the f-number",
    ("mtf", "--fnumber", "2", "--frequency", "-40", "--defocus-um", "0"): "-40 cannot be the frequency",
    ("mtf", "--fnumber", "two", "--frequency", "40", "--defocus-um", "0"): "--fnumber two: is no number",
    ("plate", "--thickness", "0.1", "--index", "0.5"): "0.5 cannot be the index",
    ("heat", "--material", "stainless", "--length", "52", "--kelvin", "1"): "stainless 304 or stainless 316",
    ("mounts", "--frobnicate"): "--frobnicate is no option of shimwise optics mounts",
    ("frobnicate",): "frobnicate is no command of shimwise optics",
}


@pytest.mark.parametrize(("words", "said"), REFUSED.items(), ids=lambda value: " ".join(value)[:30])
@pytest.mark.parametrize("form", [(), ("--json",)], ids=["plain", "json"])
def test_bad_input_is_one_clear_message_and_exit_code_two(
    run: Run, words: tuple[str, ...], said: str, form: tuple[str, ...]
) -> None:
    code, out, err = run("optics", *words, *form)
    assert code == 2
    assert out == ""
    assert err.count(said) == 1
    assert "Traceback" not in err


@pytest.mark.parametrize("value", ["0", "-0.0", "+20 mm", "-15.6", "−15.6"])
def test_a_separation_may_be_zero_or_of_either_sign(ask: Callable[..., Any], value: str) -> None:
    words = ("landing", "--focal", "50", "--distance", "3'", "--reading", "INF", "--separation", value)
    signed_mm = float(value.removesuffix(" mm").replace("−", "-"))
    m = ask(*words)["magnification"]
    assert 50 * (2 + m + 1 / m) + signed_mm == pytest.approx(914.4)  # the conjugates fill the distance


def test_help_and_version_leave_with_zero(run: Run) -> None:
    assert run("--version") == (0, f"shimwise {__version__}\n", "")
    code, out, _ = run("--help")
    assert code == 0
    for name, (_, summary) in COMMANDS.items():
        assert name in out
        assert summary in out  # not cut short
    code, out, _ = run("optics", "--help")
    assert code == 0
    assert "..." not in out.split("Commands:")[1]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_names_what_is_typed_in_words(run: Run, command: str) -> None:
    code, out, _ = run(command, "--help")
    assert code == 0
    assert not re.search(r"<[a-z]+", out)


def test_help_loads_no_heavy_library() -> None:
    # Start-up: the help must come within 250 ms, and NumPy alone takes half of that.
    script = (
        "import sys\nfrom shimwise.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'altair', 'rich', 'jsonschema'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_optics_loads_no_scipy() -> None:
    script = "import sys, shimwise.bench.desk.optics\nsys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0


def test_the_module_is_the_same_door() -> None:
    words = [sys.executable, "-m", "shimwise", "optics", "length", "3 m", "--json"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert json.loads(done.stdout) == {"mm": 3000.0}


def test_a_bare_distance_is_refused_as_on_the_pages(run: Callable[..., Any]) -> None:
    code, _, err = run("optics", "landing", "--focal", "50", "--distance", "3", "--reading", "3'")
    assert code == 2
    assert "the number has no unit" in err
