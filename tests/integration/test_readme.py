"""The README and the guide are true: the commands they show run, and what they show is what is printed."""

import importlib.util
import re
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from record_template import copied_record
from shimwise.bench.demo.demo import PAGES
from shimwise.bench.demo.demo_record import fill_demo
from shimwise.files.kit_file import parse_kit
from shimwise.files.readings import parse_readings

ROOT = Path(__file__).parents[2]
NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
PICTURE = re.compile(r"[ ◆×░│┊━╋─┴←→\d]*[◆×░│┊━╋─┴][ ◆×░│┊━╋─┴←→\d−+±µm]*")


def _refresh() -> ModuleType:
    spec = importlib.util.spec_from_file_location("refresh", ROOT / "docs" / "refresh.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


refresh = _refresh()
README, EYE, FILES = (
    (ROOT / name).read_text(encoding="utf-8")
    for name in ("README.md", "docs/guide/eye.md", "docs/guide/files.md")
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A newcomer's folder: `make run` was typed there, and ended."""
    folder = tmp_path_factory.mktemp("readme")
    copied_record(folder / "shimwise-demo" / PAGES, fill_demo)  # as the first look at the pages leaves it
    refresh.make_run(folder)
    return folder


def words_and_numbers(text: str) -> tuple[list[str], list[float]]:
    """Part a text into its words, with the picture taken out, and its numbers."""
    plain = "\n".join(PICTURE.sub(" ", line) for line in text.splitlines())
    numbers = [float(number.replace(",", "")) for number in NUMBER.findall(plain)]
    return NUMBER.sub("#", plain).split(), numbers


COMMANDS = {
    "README.md": "judge judge",
    "eye.md": "plan judge import adjust adjust import sign sign sheet verify export optics",
    "record.md": "list list backup check restore",
    "house.md": "drift",
}
"""What each page shows, so that no example is lost unseen."""


def test_the_commands_shown_print_what_is_shown_in_a_newcomers_order(folder: Path) -> None:
    # The same words, and the same numbers to the last digit or a tenth: a chip may round sums in its own way,
    # and so change the order of two causes that are equally probable.
    for page in refresh.PAGES:
        shown = refresh.examples(page.read_text(encoding="utf-8"))
        assert [command.split()[1] for command, _ in shown] == COMMANDS[page.name].split(), page.name
        for command, output in shown:
            words, numbers = words_and_numbers(output)
            now_words, now_numbers = words_and_numbers(refresh.printed(command, folder=folder))
            assert sorted(now_words) == sorted(words), f"{command}: run make readme"
            assert sorted(now_numbers) == pytest.approx(sorted(numbers), rel=0.1, abs=1), (
                f"{command}: run make readme"
            )


def test_the_readme_is_three_screens() -> None:
    assert len(README.encode()) <= 10_000
    assert len(README.splitlines()) <= 120


def test_the_figure_shown_is_the_one_that_is_drawn(folder: Path) -> None:
    kept, drawn = (
        re.findall(r"<desc>.*?</desc>|<text[^>]*>(.*?)</text>", path.read_text(encoding="utf-8"))
        for path in (refresh.FIGURE, folder / "shimwise-demo" / "demo-verdict.svg")
    )
    assert [NUMBER.sub("#", text) for text in drawn] == [NUMBER.sub("#", text) for text in kept]
    assert "Body A-07" in kept


def test_the_examples_of_the_readings_file_and_the_kit_are_accepted() -> None:
    readings, kit = (re.search(rf"```{kind}\n(.*?)```", FILES, re.DOTALL) for kind in ("csv", "toml"))
    assert readings is not None
    assert kit is not None
    known = parse_kit(kit.group(1), name="kit.toml")
    assert known.bodies["A-07"].mechanism is not None
    file = parse_readings(readings.group(1), name="readings.csv", kit=known)
    assert [reading.reading_mm for reading in file.readings] == [34.75 * 25.4]
    assert file.notices == ()


def test_the_numbers_told_in_its_text_are_those_of_the_demonstrations_truth() -> None:
    truth = (ROOT / "src/shimwise/bench/demo/demo_bench/truth.json").read_text(encoding="utf-8")
    assert "A-07 is 24 µm short" in README
    assert "A-07 is 24 µm short" in EYE
    assert '"A-07": -24.0' in truth
    assert "H40 28 µm deep" in README
    assert '"H40": 28.0' in truth
    assert "lines 6 and 63" in EYE
    assert re.search(r'"blunder_lines": \[\s*6,\s*63\s*\]', truth)
    after = (ROOT / "src/shimwise/bench/demo/demo_bench/truth-after.json").read_text(encoding="utf-8")
    assert "in truth the turn made 27 µm" in EYE
    assert '"made_um": 26.85' in after
    assert "0.069 turn is 25°" in EYE
    assert round(360 * 0.069) == 25
    assert '"turns": 0.069' in after


@pytest.mark.parametrize(
    "line",
    [
        "Signed by N. Ito, 2026-11-26 12:02 UTC: A-07.",
        "Signed by N. Ito, 6 November 2026, 12:02 UTC.",
        f"Digest {' '.join(['8bba1bd3'] * 8)}",
        f"Digest {'8bba1bd348c04026' * 4}",
        "its digest begins 2af204c2d17b2a26, that of another",
    ],
)
def test_times_and_digests_are_not_shown_and_nothing_else_is_left_out(line: str, tmp_path: Path) -> None:
    shown = refresh.printed(f"echo '{line}'", folder=tmp_path)
    assert "…" in shown
    assert not NUMBER.search(shown.replace("A-07", ""))
    kept = "Prep c9c18767d552619c7d63ce9e9b166b45, 812.8 mm, 2026-11-26\n"
    assert refresh.printed(f"echo '{kept.strip()}'", folder=tmp_path) == kept


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {re.split(r"[\[<>=]", one)[0] for one in project["dependencies"]}
    needs = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([A-Za-z0-9, -]+) \| \w", needs, re.MULTILINE)
    told = {name for row in rows for name in row.split(", ")}
    assert needed <= told


def test_every_file_that_it_points_to_is_there() -> None:
    for page in (ROOT / "README.md", ROOT / "CONTRIBUTING.md", *(ROOT / "docs").rglob("*.md")):
        for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} points to {target}"
